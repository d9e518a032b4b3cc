"""Calibration metrics against published and hand-worked values."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.evaluation.validation.calibration import (
    brier_score,
    calibration_error,
    calibration_table,
    decompose_brier,
    equal_count_bins,
    equal_width_bins,
    reliability_table,
)


def homes_of(said: list[float], came: list[bool], weight: list[float] | float = 1.0) -> pl.DataFrame:
    return pl.DataFrame({"likelihood": said, "is_true": came, "weight": weight})


def test_brier_of_the_published_four() -> None:
    # check value (Brier): y = 0, 1, 1, 0 at p = .1, .9, .8, .3
    homes = homes_of([0.1, 0.9, 0.8, 0.3], [False, True, True, False])

    assert brier_score(homes) == pytest.approx(0.0375)


def thirty() -> pl.DataFrame:
    """Ten each said .1, .5 and .9, of which 1, 4 and 8 came true."""
    came = [index < count for count in (1, 4, 8) for index in range(10)]
    return homes_of([0.1] * 10 + [0.5] * 10 + [0.9] * 10, came)


def test_murphy_parts_of_the_published_thirty() -> None:
    # check value (Murphy 1973's decomposition): 0.17 = 0.006667 - 0.082222 + 0.245556
    parts = decompose_brier(equal_width_bins(thirty()))

    assert parts == pytest.approx((0.006667, 0.082222, 0.245556), abs=1e-6)
    assert parts[0] - parts[1] + parts[2] == pytest.approx(brier_score(thirty())) == pytest.approx(0.17)


def test_calibration_error_is_the_mean_gap_of_the_bins() -> None:
    # gaps of the three bins: 0, .1, .1
    assert calibration_error(equal_width_bins(thirty())) == pytest.approx(0.2 / 3)


def test_equal_count_bins_follow_the_weights() -> None:
    said = [0.9, 0.1, 0.4, 0.2]

    assert equal_count_bins(homes_of(said, [True] * 4), 2)["said"].to_list() == pytest.approx([0.15, 0.65])
    # the surest home alone outweighs the other three
    weighted = homes_of(said, [True] * 4, [3.0, 1.0, 1.0, 1.0])
    assert equal_count_bins(weighted, 2)["homes"].to_list() == [3, 1]


def test_the_surest_likelihood_is_in_the_last_bin() -> None:
    assert equal_width_bins(homes_of([0.0, 1.0], [False, True]))["bin"].to_list() == [0, 9]


def test_weights_count_a_home_as_so_many() -> None:
    once = homes_of([0.2, 0.6], [False, True], [1.0, 3.0])
    thrice = homes_of([0.2, 0.6, 0.6, 0.6], [False, True, True, True])

    for bins in (equal_width_bins, equal_count_bins):
        assert calibration_error(bins(once)) == pytest.approx(calibration_error(bins(thrice)))
    assert brier_score(once) == pytest.approx(brier_score(thrice))


def homes() -> pl.DataFrame:
    return (
        thirty()
        .rename({"is_true": "is_faulty"})
        .with_columns(
            fault=pl.when("is_faulty").then(pl.lit("dead")).otherwise(pl.lit("sound")),
            fault_likelihoods=pl.struct(dead=pl.col("likelihood") / 2, sound=1 - pl.col("likelihood")),
        )
    )


def test_the_reliability_table_is_one_row_a_class_and_bin() -> None:
    table = reliability_table(homes())

    whole = table.filter(pl.col("class") == "any fault")
    assert whole["bin"].to_list() == [1, 5, 9]
    assert whole["homes"].to_list() == [10, 10, 10]
    assert whole["came"].to_list() == pytest.approx([0.1, 0.4, 0.8])
    assert (whole["low"] < whole["came"]).all()
    assert (whole["came"] < whole["high"]).all()
    dead = table.filter(pl.col("class") == "dead")
    assert dead["said"].to_list() == pytest.approx([0.05, 0.25, 0.45])
    assert dead["came"].to_list() == whole["came"].to_list()


def test_a_fault_is_calibrated_by_its_own_likelihood() -> None:
    table = calibration_table(homes()).rows_by_key("class", named=True, unique=True)

    assert table["any fault"]["expected"] == pytest.approx(15)
    assert table["dead"]["expected"] == pytest.approx(7.5)
    assert table["dead"]["observed"] == pytest.approx(13)
    # half the likelihood: gaps .05, .15, .35
    assert table["dead"]["ece_wide"] == pytest.approx(0.55 / 3)

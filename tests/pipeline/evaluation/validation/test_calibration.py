"""Calibration measures against published and hand-worked values."""

from __future__ import annotations

import numpy as np
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


def test_brier_of_the_published_four() -> None:
    # check value (Brier): y = 0, 1, 1, 0 at p = .1, .9, .8, .3
    said, came = np.array([0.1, 0.9, 0.8, 0.3]), np.array([False, True, True, False])

    assert brier_score(said, came, np.ones(4)) == pytest.approx(0.0375)


def thirty() -> tuple[np.ndarray, np.ndarray]:
    """Ten each said .1, .5 and .9, of which 1, 4 and 8 came true."""
    said = np.repeat([0.1, 0.5, 0.9], 10)
    came = np.concatenate([np.arange(10) < count for count in (1, 4, 8)])
    return said, came


def test_murphy_parts_of_the_published_thirty() -> None:
    # check value (Murphy 1973's decomposition): 0.17 = 0.006667 - 0.082222 + 0.245556
    said, came = thirty()
    weight = np.ones(30)

    parts = decompose_brier(said, came, weight, bins=equal_width_bins(said))

    assert parts == pytest.approx((0.006667, 0.082222, 0.245556), abs=1e-6)
    assert (
        parts[0] - parts[1] + parts[2]
        == pytest.approx(brier_score(said, came, weight))
        == pytest.approx(0.17)
    )


def test_calibration_error_is_the_mean_gap_of_the_bins() -> None:
    said, came = thirty()

    # gaps of the three bins: 0, .1, .1
    error = calibration_error(said, came, np.ones(30), bins=equal_width_bins(said))

    assert error == pytest.approx(0.2 / 3)


def test_even_bins_hold_equally_many_homes_and_follow_the_weights() -> None:
    said = np.array([0.9, 0.1, 0.4, 0.2])

    assert equal_count_bins(said, np.ones(4), 2).tolist() == [1, 0, 1, 0]
    # the surest home alone outweighs the other three
    assert equal_count_bins(said, np.array([3.0, 1.0, 1.0, 1.0]), 2).tolist() == [1, 0, 0, 0]


def test_weights_count_a_home_as_so_many() -> None:
    said, came = np.array([0.2, 0.6]), np.array([False, True])
    thrice = np.repeat(said, [1, 3]), np.repeat(came, [1, 3])

    for bins in (equal_width_bins(said), np.array([0, 1])):
        once = calibration_error(said, came, np.array([1.0, 3.0]), bins=bins)
        assert once == pytest.approx(calibration_error(*thrice, np.ones(4), bins=np.repeat(bins, [1, 3])))
    assert brier_score(said, came, np.array([1.0, 3.0])) == pytest.approx(brier_score(*thrice, np.ones(4)))


def homes() -> pl.DataFrame:
    said, came = thirty()
    return pl.DataFrame({"likelihood": said, "is_faulty": came, "weight": 1.0}).with_columns(
        fault=pl.when("is_faulty").then(pl.lit("dead")).otherwise(pl.lit("sound")),
        fault_likelihoods=pl.struct(dead=pl.col("likelihood") / 2, sound=1 - pl.col("likelihood")),
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

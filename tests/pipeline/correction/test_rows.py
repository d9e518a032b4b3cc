"""Readings that a fault spoiled: exact where they still tell the truth, else by a witness, else left empty."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from corrected_home import FaultyHome, episode, faulty_home

from pipeline.correction.layout import AS_REPORTED, CORRECTED, EMPTY, ESTIMATED, EXACT
from pipeline.correction.rows import correct_rows
from pipeline.correction.unseen import NOTHING_TELLS, Witnesses
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.cts import Wiring

SITES = pl.DataFrame({"site_id": ["H1"], "longitude": [-105.0]})
HAS_INVERSE = [name for name, fault in CATALOGUE.items() if fault.remains == "all"]


def corrected(home: FaultyHome, witnesses: Witnesses | None = None, **values: float | str) -> pl.DataFrame:
    story = home.episode.with_columns(pl.lit(value).alias(name) for name, value in values.items())
    return correct_rows(
        home.rows, story, sites=SITES, witnesses=witnesses or Witnesses(), catalogue=CATALOGUE
    )


def cells() -> Iterator[tuple[str, str, str, bool, bool]]:
    for name, service, sees_pv, is_added in itertools.product(
        HAS_INVERSE, ("120/240", "120/208", "single"), (True, False), (True, False)
    ):
        # a source adds production to upstream readings only; "single" has no legs to cross
        if (sees_pv or not is_added) and not (service == "single" and name == "legs_crossed"):
            yield from ((name, leg, service, sees_pv, is_added) for leg in CATALOGUE[name].legs_on(service))


def production_of(name: str, leg: str, service: str) -> tuple[dict[str, object], Witnesses]:
    """How production is metered where leads are exchanged: so that the exchange has an inverse on this service."""
    if "production_factor" not in CATALOGUE[name].inverse_needs:
        return {}, Witnesses()
    lead = 2 if leg == "l2" else 1
    if service == "120/208":
        return {"production_by": "leg", "production_leg": lead}, Witnesses(production_factor={"H1": (1.0,)})
    factor = 1.0 if service == "single" else 2.0
    return {"production_leg": lead}, Witnesses(production_factor={"H1": (factor,)})


@pytest.mark.parametrize(("name", "leg", "service", "sees_pv", "is_added"), list(cells()))
def test_an_exact_inverse_gives_the_truth_back(
    name: str, leg: str, service: str, sees_pv: bool, is_added: bool
) -> None:
    wiring, witnesses = production_of(name, leg, service)
    home = faulty_home(name, leg, service, sees_pv=sees_pv, is_added=is_added, **wiring)
    rows = corrected(home, witnesses, ratio=home.ratio, ratio_se=0.0)
    assert rows["method"].unique().to_list() == [EXACT]
    for column in ("l1_w", "l2_w", "pv_w"):
        np.testing.assert_allclose(rows[column], home.right[column], atol=1e-9, rtol=1e-12)
        assert rows[f"{column}_reported"].equals(home.rows[column])


@pytest.mark.parametrize("leg", ["l1", "l2", "both"])
def test_what_the_source_cut_off_is_lost_and_the_rest_is_exact(leg: str) -> None:
    home = faulty_home("reversed", leg, is_added=True, is_clipped=True)
    rows = corrected(home)
    wrong = ["l1_w", "l2_w"] if leg == "both" else [f"{leg}_w"]
    is_cut = home.rows.select(pl.any_horizontal(pl.col(wrong) == 0)).to_series()
    assert is_cut.any()
    assert not is_cut.all()
    lost = rows.filter(is_cut)
    assert lost["method"].unique().to_list() == [EMPTY]
    assert "cut off" in lost["reason"][0]
    assert lost.select(pl.col(wrong).is_null().all()).row(0) == (True,) * len(wrong)
    for column in wrong:
        np.testing.assert_allclose(
            rows.filter(~is_cut)[column], home.right.filter(~is_cut)[column], atol=1e-9, rtol=1e-12
        )


def test_rows_come_one_for_one_in_the_contracts_columns_with_what_was_done() -> None:
    home = faulty_home("reversed", "l1")
    rows = corrected(home)
    assert rows.schema == CORRECTED
    assert rows.select("site_id", "interval_start").equals(home.rows.select("site_id", "interval_start"))
    first = rows.row(0, named=True)
    assert (first["fault"], first["leg"], first["likelihood"]) == ("reversed", "l1", 0.97)
    assert (first["factor_l1"], first["factor_l2"], first["is_corrected"]) == (-1.0, 1.0, True)
    assert first["l1_w_low"] == pytest.approx(first["l1_w"])
    assert rows["l2_w"].equals(home.rows["l2_w"])


@pytest.mark.parametrize(
    ("fault", "sees_pv"), [("dead", True), ("same_leg", True), ("dead", False), ("opposed_pair", True)]
)
def test_a_leg_that_was_not_seen_is_the_meter_less_the_other_leg(fault: str, sees_pv: bool) -> None:
    home = faulty_home(fault, "l2", sees_pv=sees_pv, has_meter=True, cts_per_leg=2)
    rows = corrected(home)
    assert rows["method"].unique().to_list() == [ESTIMATED]
    np.testing.assert_allclose(rows["l2_w"], home.right["l2_w"], atol=1e-6)
    assert rows["l1_w"].equals(home.rows["l1_w"])
    assert (rows["l2_w_high"] - rows["l2_w_low"] > 50).all()


def test_without_meter_and_other_homes_nothing_is_made_up() -> None:
    rows = corrected(faulty_home("dead", "l2"))
    assert rows["method"].unique().to_list() == [EMPTY]
    assert rows["l2_w"].null_count() == rows.height
    assert rows["l1_w"].null_count() == 0
    assert rows["reason"].unique().to_list() == [NOTHING_TELLS]
    assert not rows["is_corrected"].any()


def test_a_share_of_the_current_is_scaled_up_with_its_error() -> None:
    home = faulty_home("partial", "l1", cts_per_leg=2)
    rows = corrected(home, gain_l1=0.5, gain_l1_se=0.02)
    np.testing.assert_allclose(rows["l1_w"], home.right["l1_w"], atol=1e-9)
    assert rows["factor_l1"].unique().to_list() == [2.0]
    width = (rows["l1_w_high"] - rows["l1_w"]).to_numpy()
    np.testing.assert_allclose(width, 1.96 * 0.04 * np.abs(rows["l1_w"].to_numpy()))
    error = (rows["sum_w_high"] - rows["sum_w_low"]).to_numpy() / 2
    np.testing.assert_allclose(error, width)


def test_a_share_at_the_loads_says_nothing_of_what_ran_outside() -> None:
    rows = corrected(faulty_home("partial", "l1", sees_pv=False), gain_l1=0.5, gain_l1_se=0.02)
    assert rows["method"].unique().to_list() == [EMPTY]


def test_an_estimated_ratio_errs_alike_on_both_legs() -> None:
    home = faulty_home("wrong_ratio", "both")
    rows = corrected(home, ratio=home.ratio, ratio_se=0.05 * home.ratio)
    assert rows["method"].unique().to_list() == [ESTIMATED]
    legs = (rows["l1_w"] + rows["l2_w"]).abs()
    np.testing.assert_allclose(rows["sum_w_high"] - rows["sum_w_low"], 2 * 1.96 * 0.05 * legs)


def test_gaps_are_filled_and_the_rest_stays_as_reported() -> None:
    home = faulty_home("reversed", "l1", has_meter=True)
    gaps = pl.Series([30 <= step < 34 for step in range(home.rows.height)])
    spoilt = home.right.with_columns(l1_w=pl.when(gaps).then(0.0).otherwise("l1_w"))
    cut = replace(home, rows=spoilt, episode=episode("intermittent", "l1"))
    rows = corrected(cut)
    around = gaps | gaps.shift(1, fill_value=False) | gaps.shift(-1, fill_value=False)
    assert (rows["method"] == ESTIMATED).equals(around)
    assert (rows.filter(~around)["method"] == AS_REPORTED).all()
    np.testing.assert_allclose(rows["l1_w"], home.right["l1_w"], atol=1e-6)


def test_the_interval_covers_a_rival_that_would_give_another_value() -> None:
    """Both legs reversed and legs crossed read alike; which it was nobody says, so both must lie inside."""
    home = faulty_home("reversed", "both")
    rows = corrected(home, rival_fault="legs_crossed", rival_leg="both", rival_likelihood=0.3)
    assert rows["method"].unique().to_list() == [ESTIMATED]
    np.testing.assert_allclose(rows["l1_w"], home.right["l1_w"])
    crossed = corrected(replace(home, episode=episode("legs_crossed", "both")))
    for column in ("l1_w", "l2_w"):
        assert (rows[f"{column}_low"] <= crossed[column] + 1e-9).all()
        assert (rows[f"{column}_high"] >= crossed[column] - 1e-9).all()


def test_a_rival_by_which_nothing_could_be_told_leaves_the_row_empty() -> None:
    rows = corrected(faulty_home("reversed", "l1"), rival_fault="dead", rival_leg="l1", rival_likelihood=0.3)
    assert rows["method"].unique().to_list() == [EMPTY]
    assert rows["l1_w"].null_count() == rows.height
    assert "no signal" in rows["reason"][0]


def test_a_row_outside_every_episode_is_refused() -> None:
    home = faulty_home("reversed", "l1")
    late = home.episode.with_columns(from_on=pl.col("from_on") + pl.duration(days=1))
    with pytest.raises(ValueError, match="no episode on that day"):
        corrected(replace(home, episode=late))


def test_a_home_of_one_line_is_put_right_too() -> None:
    home = faulty_home("reversed", "l1", "single")
    rows = corrected(home)
    np.testing.assert_allclose(rows["l1_w"], home.right["l1_w"])
    assert rows["l2_w"].null_count() == rows.height
    assert Wiring.sound("single").legs == ("l1",)

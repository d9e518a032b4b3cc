"""From scored fleets to tables, on made-up homes whose circuits are known."""

from __future__ import annotations

import polars as pl
import pytest
from proof_homes import WITNESSES, judged, truth_of

from pipeline.proof.fleets import Fleet
from pipeline.proof.notes import NOTES
from pipeline.proof.results import Found, as_ordinary, conditions, limits, pooled, tables

# Dead legs that we find, half-seen legs at the loads that neither we nor anybody can find, and sound homes.
HOMES = [
    *((0.9, "dead", "l1", "dead", "l1", None) for _ in range(8)),
    *((0.05, "partial", "l1", "sound", None, None) for _ in range(8)),
    *((0.1, "sound", None, "sound", None, "gaps") for _ in range(8)),
    *((0.01, "sound", None, "sound", None, None) for _ in range(40)),
]


def fleet(label: str) -> Fleet:
    """The homes as of nights 1 and 3, around their loads, without a utility meter."""
    truth = truth_of(HOMES).with_columns(
        sees_pv_true=pl.lit(False), **{k: pl.lit(v) for k, v in WITNESSES.items()}
    )
    is_dead, is_partial = pl.col("fault") == "dead", pl.col("fault") == "partial"
    truth = truth.with_columns(
        witness_pv_l1=pl.lit(0.0),
        witness_pv_l2=pl.lit(0.0),
        witness_load_l1=pl.when(is_dead).then(0.0).when(is_partial).then(0.5).otherwise(1.0),
    )
    sites = truth.select(
        "site_id", service=pl.lit("120/240"), ct_sees_pv=pl.lit(False), pv_added_back=pl.lit(False),
        cts_per_leg=pl.lit(1), ct_location=pl.lit("load_conductors"),
    )  # fmt: skip
    carries = truth.select(
        "site_id", has_l2=pl.lit(True), has_pv=pl.lit(True), has_volts=pl.lit(True), has_meter=pl.lit(False)
    )
    return Fleet(label, {1: judged(HOMES), 3: judged(HOMES)}, truth, sites, carries)


@pytest.fixture(scope="module")
def found() -> Found:
    return Found(fleet("ordinary"), [fleet("many")], [fleet("other")], [("real", judged(HOMES))], seed=3)


def test_the_limit_finds_what_the_data_tell_and_counts_what_they_do_not(found: Found) -> None:
    table = limits(found).rows_by_key("fault", named=True, unique=True)

    assert table["dead"]["limit_found_share"] == 1.0
    assert table["dead"]["limit_missed"] == 0
    # nobody can see them, and all of them are called sound
    assert table["partial"]["limit_missed"] >= 12
    assert (
        table["partial"]["limit_missed_sound"]
        == table["partial"]["limit_missed"]
        == table["all"]["limit_missed"]
    )
    assert table["all"]["homes"] == 32
    assert table["all"]["found_share"] == pytest.approx(0.5)


def test_fleets_of_many_faults_count_as_ordinary_ones(found: Found) -> None:
    whole = pooled(found)

    share = whole.filter("is_faulty")["weight"].sum() / whole["weight"].sum()
    assert (whole.height, share) == (128, pytest.approx(0.05))
    table = conditions(found)
    assert table["fleet"].to_list() == ["ordinary", "many", "other", "real"]
    assert table["cut"].to_list() == [16, 3, 3, 3]
    assert as_ordinary(judged(HOMES)).filter("is_faulty")["weight"].sum() == pytest.approx(3.2)


def test_every_table_is_there_in_reading_order_and_shows_columns_it_has(found: Found) -> None:
    made = tables(found)

    assert [table.name for table in made] == list(NOTES)
    for table in made:
        headings, rows, numbers = table.cells()
        assert len(headings) == len(numbers)
        assert all(len(row) == len(headings) for row in rows)
    assert "64 homes, 3 nights" in made[0].note


def test_visits_are_shared_by_size(found: Found) -> None:
    ten = Found(found.main, found.many, found.others, found.real, visits=10)

    assert (ten.cut_of(64), ten.cut_of(128), found.cut_of(64)) == (10, 20, None)

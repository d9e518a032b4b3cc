"""From scored fleets to tables, on made-up homes whose circuits are known."""

from __future__ import annotations

import polars as pl
import pytest
from validation_homes import WITNESSES, scored_homes, truth_of

from pipeline.evaluation.validation.fleets import Fleet, Fleets, weigh_as_ordinary
from pipeline.evaluation.validation.results import NOTES, build_tables, compare_limit
from pipeline.evaluation.validation.targets import fleet_table
from pipeline.scoring.model_file import load_model

# Dead legs that we find, half-seen legs at the loads that neither we nor anybody can find, and sound homes.
HOMES = [
    *((0.9, "dead", "l1", "dead", "l1", None) for _ in range(8)),
    *((0.05, "partial", "l1", "sound", None, None) for _ in range(8)),
    *((0.1, "sound", None, "sound", None, "gaps") for _ in range(8)),
    *((0.01, "sound", None, "sound", None, None) for _ in range(40)),
]

FIRST_NIGHT = {
    "listed": 16, "above_cut": 8, "rate": 0.2, "rate_low": 0.1, "rate_high": 0.3, "installs_rate": 0.22,
    "installs_true": 0.25, "crews": 14, "crews_held": 13, "stand_out": 1,
}  # fmt: skip


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
    channels = truth.select(
        "site_id", has_l2=pl.lit(True), has_pv=pl.lit(True), has_volts=pl.lit(True), has_meter=pl.lit(False)
    )
    nights = {1: scored_homes(HOMES), 3: scored_homes(HOMES)}
    return Fleet(
        label,
        nights,
        truth,
        sites,
        channels,
        FIRST_NIGHT,
        scored_homes(HOMES) if label == "ordinary" else None,
    )


@pytest.fixture(scope="module")
def fleets() -> Fleets:
    ordinary = [fleet("ordinary"), fleet("winter")]
    return Fleets(ordinary, [fleet("clean")], [fleet("blind")], [("real", scored_homes(HOMES))], seed=3)


def test_the_limit_finds_what_the_data_tell_and_counts_what_they_do_not(fleets: Fleets) -> None:
    table = compare_limit(fleets).rows_by_key("fault", named=True, unique=True)

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


def test_fleets_stand_by_what_they_are_for(fleets: Fleets) -> None:
    table = fleet_table(fleets)

    assert table.select("kind", "fleet").rows() == [
        ("ordinary", "ordinary"), ("ordinary", "winter"), ("pooled", "ordinary, pooled"), ("clean", "clean"),
        ("small", "ordinary: small fleets"), ("blind", "blind"), ("real", "real"),
    ]  # fmt: skip
    assert table["homes"].to_list() == [64, 64, 128, 64, 64, 64, 64]
    # the eight dead ones are suspects, and nobody else is
    assert table["suspects"].to_list() == [8, 8, 16, 8, 8, 8, 8]
    assert set(table["suspects_right_share"]) == {1.0}
    assert set(table["sound_suspects_1000"]) == {0.0}
    assert table["listed_1000"].to_list() == [250.0, 250.0, None, 250.0, None, 250.0, None]
    assert table["true_rate"][0] == 0.25
    assert table["crews_held_share"][0] == pytest.approx(13 / 14)


def test_where_nothing_is_faulty_the_first_homes_say_nothing() -> None:
    sound = [home for home in HOMES if home[1] == "sound"]
    right = Fleet("right", {3: scored_homes(sound)}, *(pl.DataFrame(),) * 3, FIRST_NIGHT)

    row = fleet_table(Fleets([right], [], [], [])).row(0, named=True)

    assert row["first_share"] is None
    assert row["suspects_right_share"] is None


def test_real_homes_count_as_an_ordinary_fleet(fleets: Fleets) -> None:
    whole = fleets.pool()

    assert (whole.height, whole["weight"].sum()) == (128, pytest.approx(128))
    assert weigh_as_ordinary(scored_homes(HOMES)).filter("is_faulty")["weight"].sum() == pytest.approx(
        0.055 * 64
    )
    table = fleet_table(fleets)
    assert table["cut"].to_list() == [16, 16, 32, 16, 16, 16, 4]


def test_every_table_is_there_in_reading_order_and_shows_columns_it_has(fleets: Fleets) -> None:
    tables = build_tables(fleets, load_model())

    assert [table.name for table in tables] == list(NOTES)
    for table in tables:
        headings, rows, numbers = table.cells()
        assert len(headings) == len(numbers)
        assert all(len(row) == len(headings) for row in rows)
    assert "2 ordinary fleets (128 homes)" in tables[0].note


def test_visits_are_shared_by_size(fleets: Fleets) -> None:
    ten = Fleets(fleets.ordinary, fleets.clean, fleets.blind, fleets.real, visits=10)

    assert (ten.visits_of(64), ten.visits_of(128), fleets.visits_of(64)) == (10, 20, None)

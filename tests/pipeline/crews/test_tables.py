"""A night's tables about crews, from registers and scores to rates."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest
from invented import PROMISE, TRAININGS, VISITS, CrewNight, crew_names, invented_night, scores, signals, sites

from pipeline.core.settings import load_settings
from pipeline.crews import VIEWS, view_rows
from pipeline.crews.crew_quality import SCHEMA
from pipeline.storage.table_files import write_tables

SETTINGS = load_settings()
Tables = dict[str, pl.DataFrame]


@pytest.fixture(scope="module")
def night() -> CrewNight:
    return invented_night()


@pytest.fixture(scope="module")
def tables(night: CrewNight) -> Tables:
    return night.tables(SETTINGS)


def of(tables: Tables, crew: str) -> dict:
    return tables["crew_quality"].row(by_predicate=pl.col("crew_id") == crew, named=True)


def test_every_crew_has_a_row_and_every_install_counts_once(night: CrewNight, tables: Tables) -> None:
    quality = tables["crew_quality"]

    assert quality.schema == SCHEMA
    assert sorted(quality["crew_id"]) == crew_names(12)
    assert quality["installs"].sum() == night.sites.height
    assert quality["confirmed_faults"].sum() == tables["crew_home"]["is_wrong"].sum()
    counted = quality["confirmed_faults"].sum() + quality["expected_faults"].sum()
    assert counted / night.sites.height == pytest.approx(quality["fleet_rate"][0])
    assert quality["case_mix_faults"].sum() == pytest.approx(counted, rel=1e-6)


def test_the_bad_crew_and_the_good_one_stand_out_and_no_other(tables: Tables) -> None:
    told = tables["crew_quality"].drop_nulls("stands_out").select("crew_id", "stands_out").rows()

    assert told == [("C01", "worse"), ("C02", "better")]
    assert of(tables, "C01")["rank"] == 11
    assert of(tables, "C02")["rank"] == 1


def test_intervals_hold_their_values_and_few_installs_have_no_place(tables: Tables) -> None:
    for name in ("rate", "shrunk", "ratio", "fair"):
        value = pl.col("ratio" if name == "ratio" else "rate" if name == "rate" else f"{name}_rate")
        is_inside = pl.col(f"{name}_low").le(value) & value.le(pl.col(f"{name}_high"))
        assert tables["crew_quality"].select(is_inside.all()).item(), name
    few = of(tables, "C12")
    assert few["judged"] < SETTINGS.crews.min_judged
    assert (few["is_ranked"], few["rank"], few["stands_out"], few["q_value"]) == (
        False,
        None,
        None,
        None,
    )
    assert few["fair_high"] - few["fair_low"] > 0.2


def test_faults_found_over_visits_is_not_the_rate(tables: Tables) -> None:
    quality = tables["crew_quality"].filter(pl.col("visited") > 3)

    assert quality["observed_rate"].mean() > 2.5 * quality["rate"].mean()


def test_the_trained_crew_fell_and_the_small_one_has_too_few(tables: Tables) -> None:
    assert tables["crew_training"].select("crew_id", "told").rows() == [
        ("C03", "fell relative to other crews"),
        ("C12", "too few installs to say"),
    ]


def test_views_add_up_to_their_tables(tables: Tables, tmp_path: Path) -> None:
    views = view_rows(tables, tmp_path, SETTINGS.engine)

    assert set(views) == set(VIEWS)
    month = views["crew_month"]
    assert month["installs"].sum() == tables["crew_home"].height
    assert (month["rate"] * month["heard"]).sum() == pytest.approx(tables["crew_home"]["chance"].sum())
    known = month.drop_nulls("rate")
    assert known.select((pl.col("rate_low") <= pl.col("rate")) & (pl.col("rate") <= pl.col("rate_high")))[
        "rate_low"
    ].all()
    assert known.filter(pl.col("heard") == 1)["rate_high"].min() > 0.5  # one install says next to nothing
    position = views["crew_position"]
    assert set(position["ct_location"]) == {
        "service_entrance",
        "bus_bar",
        "feeder",
        "load_conductors",
        "unknown",
    }
    assert position["confirmed_faults"].sum() == tables["crew_quality"]["confirmed_faults"].sum()
    assert views["crew_ranking"]["rank"].to_list() == list(range(1, 12))


def test_the_same_night_gives_the_same_tables(night: CrewNight, tables: Tables) -> None:
    again = night.tables(SETTINGS)

    assert all(again[name].equals(table) for name, table in tables.items())


def test_without_a_promise_on_record_visits_count_and_nothing_is_claimed_of_likelihoods(
    night: CrewNight,
) -> None:
    blind = replace(night, promise=pl.DataFrame(schema=PROMISE)).tables(SETTINGS)
    fleet = blind["crew_fleet"].row(0, named=True)

    assert (fleet["visited"], fleet["visited_with_promise"], fleet["weighted_rate"]) == (90, 0, None)
    assert fleet["offset_sd"] == pytest.approx(SETTINGS.crews.offset_sd)
    assert blind["crew_quality"]["confirmed_faults"].sum() == 76
    assert of(blind, "C01")["stands_out"] == "worse"


def test_a_lake_of_the_least_has_tables_too() -> None:
    """No crew known, no date, no position, no visit, one home without data."""
    rows = [
        {"site_id": "a", "likelihood": 0.9},
        {"site_id": "b", "likelihood": 0.05, "nights": 0, "verdict": "unproven"},
    ]
    least = CrewNight(
        scores(rows), signals(["a", "b"]), sites(rows),
        pl.DataFrame({"crew_id": ["idle"], "crew_name": [None]}, schema={"crew_id": pl.String, "crew_name": pl.String}),
        pl.DataFrame(schema=VISITS), pl.DataFrame(schema=TRAININGS), pl.DataFrame(schema=PROMISE), 0.05,
    )  # fmt: skip

    tables = least.tables(SETTINGS)

    idle = of(tables, "idle")
    assert (idle["installs"], idle["rate"], idle["fair_rate"], idle["is_ranked"]) == (0, None, None, False)
    assert tables["crew_home"].select("is_heard", "chance").rows()[1] == (False, None)
    assert np.isfinite(tables["crew_fleet"]["fleet_rate"][0])


@pytest.mark.parametrize("found", ["reversed", "sound"])
def test_a_fleet_of_one_home_where_a_visit_left_no_doubt_has_tables(found: str) -> None:
    rows = [{"site_id": "a", "crew_id": "only", "likelihood": 0.5}]
    visit = {"visit_id": "v", "site_id": "a", "visited_on": date(2026, 6, 1), "found": found, "fixed": True}
    one = CrewNight(
        scores(rows), signals(["a"]), sites(rows), pl.DataFrame({"crew_id": ["only"], "crew_name": ["Only"]}),
        pl.DataFrame([visit], schema=VISITS), pl.DataFrame(schema=TRAININGS), pl.DataFrame(schema=PROMISE), 0.05,
    )  # fmt: skip

    row = of(one.tables(SETTINGS), "only")

    assert 0 <= row["fair_low"] <= row["fair_rate"] <= row["fair_high"] <= 1


def test_an_empty_register_has_empty_tables() -> None:
    nothing = CrewNight(
        scores([]), signals([]), sites([]), pl.DataFrame(schema={"crew_id": pl.String, "crew_name": pl.String}),
        pl.DataFrame(schema=VISITS), pl.DataFrame(schema=TRAININGS), pl.DataFrame(schema=PROMISE), 0.05,
    )  # fmt: skip

    tables = nothing.tables(SETTINGS)

    assert {name: table.height for name, table in tables.items() if table.height} == {"crew_fleet": 1}


def test_a_crew_that_the_register_lacks_counts_under_its_id(night: CrewNight) -> None:
    stranger = replace(night, crews=night.crews.filter(pl.col("crew_id") != "C04"))

    assert of(stranger.tables(SETTINGS), "C04")["crew_name"] is None


def test_a_published_view_gives_the_rows_that_the_pages_show(tmp_path: Path) -> None:
    tables = invented_night(crews=4, homes=120, visits=20).tables(SETTINGS)

    write_tables(tmp_path, tables, ("crew_quality",), views=VIEWS)

    shown = view_rows(tables, tmp_path, SETTINGS.engine)
    con = duckdb.connect(str(tmp_path / "nightclamp.duckdb"), read_only=True)
    kinds = dict(con.sql("FROM information_schema.tables SELECT table_name, table_type").fetchall())
    assert {name for name, kind in kinds.items() if kind == "VIEW"} == set(VIEWS)
    assert set(tables) <= set(kinds)
    for name in VIEWS:
        assert con.table(name).pl().equals(shown[name])
    con.close()
    assert not list(tmp_path.glob("crew_month.*"))

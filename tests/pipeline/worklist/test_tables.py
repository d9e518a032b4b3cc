"""What a run leaves is what the next one reads: standings, stories, verifications, doubts and the prediction log."""

from datetime import date, timedelta

import polars as pl
import pytest
from scored_homes import night_scored

from pipeline.core.contract import SOUND, Visit
from pipeline.core.settings import load_settings
from pipeline.ingest.registers import Registers
from pipeline.worklist.planned_visits import PLANS
from pipeline.worklist.tables import worklist_tables

SETTINGS = load_settings()
NIGHT = date(2026, 6, 14)
DAILY = pl.DataFrame(
    schema={"site_id": pl.String, "day": pl.Date, "night_l1_w": pl.Float64, "night_l2_w": pl.Float64}
)


@pytest.fixture(scope="module")
def scored(fleet, model):
    signals = fleet.signals.with_columns(
        pl.lit(NIGHT - timedelta(days=20)).alias("from_on"),
        pl.lit(None, dtype=pl.Date).alias("changed_on"),
        pl.lit(None, dtype=pl.String).alias("change_told"),
    )
    return night_scored(signals, fleet.sites, model, SETTINGS)


@pytest.fixture
def run_night(fleet, scored, tmp_path):
    """Run a night so many days on, after the nights that ran before it."""
    earlier = [None]

    def run(*visits, days=0):
        empty, as_of = pl.DataFrame(), NIGHT + timedelta(days=days)
        register = pl.DataFrame(list(visits), schema=pl.Schema(Visit))
        registers = Registers(as_of, fleet.sites, empty, register, empty, empty)
        tables = worklist_tables(
            scored, registers, DAILY, plans=pl.DataFrame(schema=PLANS), previous=earlier[-1], as_of=as_of,
            settings=SETTINGS,
        )  # fmt: skip
        folder = tmp_path / str(as_of)
        folder.mkdir()
        for name, table in tables.items():
            table.write_parquet(folder / f"{name}.parquet")
        earlier.append(folder)
        return tables

    return run


def likeliest(scored):
    return scored.scores.sort("likelihood")["site_id"][-1]


def home_in(table, home):
    return table.filter(pl.col("site_id") == home).row(0, named=True)


def test_a_night_reads_what_the_one_before_left(scored, run_night):
    suspect = likeliest(scored)
    first = run_night()
    second = run_night(days=1)
    standing = home_in(second["standing"], suspect)
    assert suspect in first["revisit_list"]["site_id"]
    assert (standing["standing"], standing["nights_listed"], standing["first_listed_on"]) == (
        "waiting",
        2,
        NIGHT,
    )
    story = second["home_story"].filter(pl.col("site_id") == suspect)["told"].to_list()
    assert [line.split(":")[0] for line in story] == ["new tonight", "waiting"]


def test_a_visit_that_the_data_contradict_is_on_the_story_and_in_doubt(scored, run_night):
    suspect = likeliest(scored)
    run_night()
    # The data since (the span begins after the visit) still say what they said.
    day = NIGHT - timedelta(days=21)
    visit = {"visit_id": "V1", "site_id": suspect, "visited_on": day, "found": SOUND, "crew_id": "C1"}
    second = run_night(visit, days=1)
    standing = home_in(second["standing"], suspect)
    assert (standing["standing"], standing["is_listed"], standing["is_held"]) == (
        "found sound on site", False, True,
    )  # fmt: skip
    assert second["visit_doubt"]["visit_id"].to_list() == ["V1"]
    assert "visit V1 by C1: no CT fault" in second["home_story"]["told"].to_list()


def test_a_home_said_to_be_fixed_is_judged_by_its_own_data(scored, run_night):
    """A sound home and a suspect one, both said to be fixed: one is right by the data, the other is not."""
    right, wrong = scored.scores.sort("likelihood")["site_id"][0], likeliest(scored)
    fix = {"visited_on": NIGHT - timedelta(days=21), "found": "reversed", "leg": "l1", "fixed": True}
    tables = run_night(*(fix | {"visit_id": f"V{site}", "site_id": site} for site in (right, wrong)))
    standing = dict(tables["standing"].select("site_id", "standing").iter_rows())
    assert standing[wrong] == "still wrong after the visit"
    assert standing[right] == "proved right by the data"


def test_a_visit_is_counted_against_what_the_night_before_promised(scored, run_night):
    suspect = likeliest(scored)
    first = run_night()
    listed = home_in(first["revisit_list"], suspect)
    assert (first["promise"].height, first["hit_rate"].height) == (0, 0)
    assert first["promise_book"]["site_id"].to_list() == sorted(first["revisit_list"]["site_id"])
    visit = {"visit_id": "V", "site_id": suspect, "visited_on": NIGHT + timedelta(days=1)}
    second = run_night(visit | {"found": listed["suspected_fault"], "fixed": True}, days=1)
    assert second["promise"]["likelihood"].to_list() == [listed["likelihood"]]
    assert second["promise"]["scored_on"].to_list() == [NIGHT]
    assert second["hit_rate"].select("month", "hits").rows() == [(None, 1), ("2026-06", 1)]

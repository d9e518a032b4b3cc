"""What a run leaves is what the next one reads: standings, stories, proofs and doubts belong together."""

from datetime import date, timedelta

import polars as pl
import pytest
from scored_homes import night_scored

from pipeline.core.contract import SOUND, Visit
from pipeline.core.settings import load_settings
from pipeline.worklist.carry_over import carry_on
from pipeline.worklist.planned_visits import PLANS

SETTINGS = load_settings()
NIGHT = date(2026, 6, 14)
DAILY = pl.DataFrame(
    schema={"site_id": pl.String, "day": pl.Date, "night_l1_w": pl.Float64, "night_l2_w": pl.Float64}
)
NO_PLANS = pl.DataFrame(schema=PLANS)


@pytest.fixture(scope="module")
def scored(fleet, model):
    signals = fleet.signals.with_columns(
        pl.lit(NIGHT - timedelta(days=20)).alias("from_on"),
        pl.lit(None, dtype=pl.Date).alias("changed_on"),
        pl.lit(None, dtype=pl.String).alias("change_told"),
    )
    return night_scored(signals, fleet.sites, model, SETTINGS)


@pytest.fixture(scope="module")
def value(scored):
    """What going is worth: it pays from 35 % on everywhere."""
    pays = 400.0 * (pl.col("likelihood") - 0.35)
    return scored.scores.select("site_id", pays.alias("priority"), pl.lit(0.35).alias("break_even"))


def visits(*rows):
    return pl.DataFrame(list(rows), schema=pl.Schema(Visit))


def likeliest(scored):
    return scored.scores.sort("likelihood")["site_id"][-1]


def unlikeliest(scored):
    return scored.scores.sort("likelihood")["site_id"][0]


def leave(run, memory):
    run.mkdir()
    memory.standing.write_parquet(run / "standing.parquet")
    memory.home_story.write_parquet(run / "home_story.parquet")
    return run


def test_a_night_reads_what_the_one_before_left(scored, value, tmp_path):
    suspect = likeliest(scored)
    first = carry_on(None, scored, value, DAILY, visits(), NO_PLANS, NIGHT, SETTINGS)
    run = leave(tmp_path / "run", first)
    second = carry_on(run, scored, value, DAILY, visits(), NO_PLANS, NIGHT + timedelta(days=1), SETTINGS)
    own = second.standing.filter(pl.col("site_id") == suspect).row(0, named=True)
    assert (own["standing"], own["nights_listed"], own["first_listed_on"]) == ("waiting", 2, NIGHT)
    told = second.home_story.filter(pl.col("site_id") == suspect)["told"].to_list()
    assert [line.split(":")[0] for line in told] == ["new tonight", "waiting"]


def test_a_visit_that_the_data_contradict_is_on_the_story_and_in_doubt(scored, value, tmp_path):
    suspect = likeliest(scored)
    run = leave(tmp_path / "run", carry_on(None, scored, value, DAILY, visits(), NO_PLANS, NIGHT, SETTINGS))
    # The data since (the span begins after the visit) still say what they said.
    day = NIGHT - timedelta(days=21)
    visit = {"visit_id": "V1", "site_id": suspect, "visited_on": day, "found": SOUND, "crew_id": "C1"}
    told = carry_on(run, scored, value, DAILY, visits(visit), NO_PLANS, NIGHT + timedelta(days=1), SETTINGS)
    own = told.standing.filter(pl.col("site_id") == suspect).row(0, named=True)
    assert (own["standing"], own["is_listed"], own["is_held"]) == ("found sound on site", False, True)
    assert told.visit_doubt["visit_id"].to_list() == ["V1"]
    assert (
        "visit V1 by C1: found sound" in told.home_story.filter(pl.col("what") == "visit")["told"].to_list()
    )


def test_a_home_said_to_be_fixed_is_judged_by_its_own_data(scored, value):
    """A sound home and a suspect one, both said to be fixed: one is right by the data, the other is not."""
    right, wrong = unlikeliest(scored), likeliest(scored)
    day = NIGHT - timedelta(days=21)
    said = {"visited_on": day, "found": "reversed", "leg": "l1", "fixed": True}
    register = visits(*(said | {"visit_id": f"V{site}", "site_id": site} for site in (right, wrong)))
    told = carry_on(None, scored, value, DAILY, register, NO_PLANS, NIGHT, SETTINGS).standing
    standing = dict(told.select("site_id", "standing").iter_rows())
    assert standing[wrong] == "still wrong after the visit"
    assert standing[right] == "proved right by the data"

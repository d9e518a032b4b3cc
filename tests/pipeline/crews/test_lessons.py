"""What to teach is the fault that costs most, with its habit."""

from __future__ import annotations

import polars as pl
import pytest
from invented import signals

from pipeline.core.settings import load_settings
from pipeline.crews.lessons import lesson_table
from pipeline.faults.catalogue import CATALOGUE

SETTINGS = load_settings()
CHANCES = {
    "site_id": pl.String,
    "fault": pl.String,
    "leg": pl.String,
    "is_found": pl.Boolean,
    "chance": pl.Float64,
}


def lessons(rows: list[tuple], crews: dict[str, str | None]) -> dict[str | None, dict]:
    chances = pl.DataFrame(rows, schema=CHANCES, orient="row")
    crew_of = pl.DataFrame(
        list(crews.items()), schema={"site_id": pl.String, "crew_id": pl.String}, orient="row"
    )
    table = lesson_table(
        chances,
        crew_of,
        signals(list(crews)),
        catalogue=CATALOGUE,
        ranking=SETTINGS.ranking,
        settings=SETTINGS.crews,
    )
    return {row["crew_id"]: row for row in table.iter_rows(named=True)}


def test_the_costliest_fault_not_the_most_frequent_of_crew_and_fleet() -> None:
    ids = [f"h{number}" for number in range(5)]
    rows = [(home, "wrong_scope", None, True, 1.0) for home in ids[:3]]
    rows += [(home, "partial", "l1", True, 1.0) for home in ids[3:]]

    told = lessons(rows, dict.fromkeys(ids, "ash"))

    assert set(told) == {None, "ash"}
    lesson = told["ash"]
    assert (lesson["fault"], lesson["faults"], lesson["confirmed_faults"]) == ("partial", 2, 2)
    assert lesson["habit"] == CATALOGUE["partial"].remedy.habit
    on_site = CATALOGUE["partial"].remedy.minutes + SETTINGS.ranking.drive_min
    assert lesson["minutes"] == pytest.approx(2 * on_site)
    money = SETTINGS.ranking
    energy = lesson["kwh_per_day"] * money.kwh_value * money.horizon_days
    assert lesson["cost"] == pytest.approx(energy + 2 * on_site / 60 * money.labour_rate_h)
    assert 0.5 < lesson["cost_share"] < 1


def test_likely_faults_count_as_far_as_they_are_likely_and_crumbs_not_at_all() -> None:
    rows = [("a", "reversed", None, False, 0.9), ("b", "reversed", None, False, 0.8)]
    crumbs = [(f"c{number}", "partial", None, False, 0.005) for number in range(900)]

    told = lessons([*rows, *crumbs], {"a": "ash", "b": "ash"} | {row[0]: "ash" for row in crumbs})

    assert (told["ash"]["fault"], told["ash"]["faults"]) == ("reversed", pytest.approx(1.7))


def test_a_single_fault_is_no_habit_and_homes_without_a_crew_count_for_the_fleet_only() -> None:
    told = lessons([("a", "dead", "l1", True, 1.0), ("b", "dead", "l1", True, 1.0)], {"a": "ash", "b": None})

    assert set(told) == {None}
    assert lessons([], {}) == {}

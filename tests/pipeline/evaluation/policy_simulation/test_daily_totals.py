"""The tally of days against a world of three homes worked out by hand."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.evaluation.policy_simulation.crew import LEDGER
from pipeline.evaluation.policy_simulation.daily_totals import daily_totals, repeated_attempts
from pipeline.evaluation.policy_simulation.world import HOMES, WRONG, World

DAYS = [date(2026, 6, day) for day in (1, 2, 3)]
FIRST = date(2026, 1, 1)


@pytest.fixture
def by_hand(tmp_path: Path) -> World:
    """A wrong by 1 kWh an hour from the first day, B by 2 kWh from 2 June 12:00 on, C sound."""
    rows = [
        ("A", 0, 0, "dead", "l1", None, None, None, FIRST),
        ("B", 1, 0, "reversed", "l1", datetime(2026, 6, 2, 12), None, None, FIRST),
        ("C", 2, 0, "", None, None, None, None, FIRST),
    ]
    pl.DataFrame(rows, schema=HOMES, orient="row").write_parquet(tmp_path / "homes.parquet")
    hours = [datetime(2026, 6, 1) + timedelta(hours=at) for at in range(72)]
    wrong = [("A", hour, 1.0) for hour in hours] + [("B", hour, 2.0) for hour in hours[36:]]
    pl.DataFrame(wrong, schema=WRONG, orient="row").write_parquet(tmp_path / "wrong.parquet")
    return World(tmp_path)


def ledger(*rows: dict[str, object]) -> pl.DataFrame:
    usual = {"by": "truck", "reason": "dead", "was_faulty": True, "is_put_right": False, "fixed": False}
    attempts = [{"visit_id": f"R{n}", **usual, **row} for n, row in enumerate(rows)]
    return pl.DataFrame(attempts, schema=LEDGER)


def test_with_nobody_going_everything_stays_and_adds_up(by_hand: World) -> None:
    days = daily_totals(by_hand, ledger(), DAYS)
    assert days["faulty_left"].to_list() == [1, 2, 2]
    assert days["wrong_kwh"].to_list() == [24.0, 48.0, 72.0]
    assert days["wrong_kwh_so_far"].to_list() == [24.0, 72.0, 144.0]
    assert days["visits_so_far"].to_list() == [0, 0, 0]


def test_a_home_counts_until_the_hour_it_was_put_right(by_hand: World) -> None:
    done = ledger(
        {"site_id": "A", "visited_on": DAYS[1], "is_put_right": True, "right_from": datetime(2026, 6, 2, 18)},
        {"site_id": "C", "visited_on": DAYS[1], "was_faulty": False, "found": "sound"},
        {"site_id": "C", "visited_on": DAYS[2], "was_faulty": False, "by": "desk"},
    )
    days = daily_totals(by_hand, done, DAYS)
    assert days["faulty_left"].to_list() == [1, 1, 1]
    assert days["wrong_kwh"].to_list() == [24.0, 18.0 + 24.0, 48.0]
    assert days["visits"].to_list() == [0, 2, 0]
    assert days["wasted"].to_list() == [0, 1, 0]
    assert days["wasted_so_far"].to_list() == [0, 1, 1]
    assert days["desk_in_vain"].to_list() == [0, 0, 1]
    assert days["put_right"].to_list() == [0, 1, 0]


def test_going_again_for_a_settled_reason_is_noticed() -> None:
    done = ledger(
        {"site_id": "C", "visited_on": DAYS[0], "was_faulty": False, "found": "sound"},
        {"site_id": "C", "visited_on": DAYS[1], "was_faulty": False, "found": "sound", "reason": "partial"},
        {"site_id": "C", "visited_on": DAYS[2], "was_faulty": False, "found": "sound"},
    )
    assert repeated_attempts(done)["visit_id"].to_list() == ["R2"]
    assert repeated_attempts(done, is_same_reason=False)["visit_id"].to_list() == ["R1", "R2"]


def test_going_again_after_a_fix_that_did_not_work_or_for_a_new_fault_is_none() -> None:
    done = ledger(
        {"site_id": "A", "visited_on": DAYS[0], "found": "dead", "fixed": True},
        {"site_id": "A", "visited_on": DAYS[1], "found": "dead", "fixed": True, "is_put_right": True},
        {"site_id": "B", "visited_on": DAYS[0], "found": "sound", "was_faulty": False},
        {"site_id": "B", "visited_on": DAYS[2], "found": "reversed", "is_put_right": True},
    )
    assert repeated_attempts(done, is_same_reason=False).is_empty()


def test_going_again_to_a_home_put_right_is_noticed_whether_or_not_it_was_proved() -> None:
    done = ledger(
        {"site_id": "A", "visited_on": DAYS[0], "found": "dead", "fixed": True, "is_put_right": True},
        {"site_id": "A", "visited_on": DAYS[1], "found": "sound", "was_faulty": False},
    )
    assert repeated_attempts(done)["visit_id"].to_list() == ["R1"]

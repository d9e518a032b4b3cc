"""A night's numbers: of the list against the run before, of the register for every night, and no night twice."""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl

from pipeline.core.contract import Visit
from pipeline.worklist.home_status import SCHEMA as STANDING
from pipeline.worklist.home_status_text import PROVED_RIGHT, Reason
from pipeline.worklist.night_count import SCHEMA, next_night_count

NIGHT = date(2026, 6, 14)
SCORES = pl.DataFrame(
    {
        "site_id": list("abcdef"),
        "verdict": ["suspect", "suspect", "suspect", "unproven", "sound", "sound"],
        "is_neutral_suspect": [False, False, False, False, False, True],
    }
)
LISTED = pl.DataFrame({"site_id": ["a", "b"], "fix_by": ["visit", "office"]})


def standings(*rows: dict) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema=STANDING)


def visits(*rows: dict) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema=pl.Schema(Visit))


TONIGHT = standings(
    {"site_id": "a", "is_listed": True, "standing": "waiting", "standing_since": NIGHT},
    {"site_id": "b", "is_listed": True, "standing": "new tonight", "standing_since": NIGHT},
    {
        "site_id": "c",
        "is_listed": False,
        "reason": Reason.BEYOND_END,
        "standing": "beyond",
        "standing_since": NIGHT,
    },
    {"site_id": "e", "is_listed": False, "standing": PROVED_RIGHT, "standing_since": NIGHT},
    {
        "site_id": "f",
        "is_listed": False,
        "standing": PROVED_RIGHT,
        "standing_since": NIGHT - timedelta(days=3),
    },
)
BEFORE = standings({"site_id": "a", "is_listed": True}, {"site_id": "e", "is_listed": True})
NO_VISITS = visits()


def counted(
    previous: pl.DataFrame | None = None, register: pl.DataFrame = NO_VISITS, **changed
) -> pl.DataFrame:
    given = {"standing": TONIGHT, "standing_before": BEFORE, "as_of": NIGHT} | changed
    return next_night_count(previous, SCORES, LISTED, visits=register, **given)


def test_a_night_counts_its_homes_and_its_list() -> None:
    (row,) = counted().to_dicts()
    assert row == {
        "as_of": NIGHT, "homes": 6, "safety": 1, "suspect": 3, "unproven": 1, "sound": 1, "listed": 2, "visits": 1,
        "office": 1, "new": 1, "left": 1, "waiting": 3, "visited": 0, "fixed": 0, "confirmed": 1,
    }  # fmt: skip


def test_on_the_first_night_every_listed_home_is_new() -> None:
    row = counted(standing_before=None).row(0, named=True)
    assert (row["new"], row["left"]) == (2, 0)


def test_nights_follow_each_other_and_one_that_runs_again_stands_once() -> None:
    first = counted(as_of=NIGHT - timedelta(days=1))
    second = counted(first)
    assert counted(second).equals(second)
    assert second["as_of"].to_list() == [NIGHT - timedelta(days=1), NIGHT]
    assert second.schema == SCHEMA


def test_visits_go_to_the_first_night_after_them_also_when_written_down_late() -> None:
    first = counted(as_of=NIGHT - timedelta(days=3))
    fault = {"found": "reversed", "leg": "l1", "fixed": True}
    late = visits(
        {"visit_id": "0", "site_id": "a", "visited_on": NIGHT - timedelta(days=9), **fault},
        {"visit_id": "1", "site_id": "a", "visited_on": NIGHT - timedelta(days=3), **fault},
        {"visit_id": "2", "site_id": "b", "visited_on": NIGHT - timedelta(days=2), **fault},
        {"visit_id": "3", "site_id": "c", "visited_on": NIGHT, "found": "sound", "fixed": True},
        {"visit_id": "4", "site_id": "d", "visited_on": NIGHT, **fault, "fixed": False},
        {"visit_id": "5", "site_id": "d", "visited_on": NIGHT + timedelta(days=1), **fault},
    )
    assert first["visited"].to_list() == [0]
    assert counted(first, late).select("visited", "fixed").rows() == [(1, 1), (3, 1)]

"""Numbers of the nights before the report's example night, and its plans: none reaches beyond it."""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl

from pipeline.worklist.night_count import SCHEMA
from pipeline.worklist.planned_visits import PLANS as PLAN_SCHEMA

LAST = date(2026, 6, 14)
# Two nights of one week and three of the next; homes 1000, of them one a safety call.
_LEVELS = ((9, 3, 2, 1, 1), (8, 1, 2, 2, 0), (10, 2, 0, 0, 1), (9, 1, 2, 1, 0), (8, 0, 1, 1, 2))
_DAYS_BACK = (8, 7, 2, 1, 0)  # 6 and 7 June; 12, 13 and 14 June 2026


def _night(back: int, listed: int, new: int, left: int, fixed: int, confirmed: int) -> dict[str, object]:
    return {
        "as_of": LAST - timedelta(days=back), "homes": 1000, "safety": 1, "suspect": listed - 1, "unproven": 90,
        "sound": 1000 - 1 - (listed - 1) - 90, "listed": listed, "visits": listed - 1, "office": 1, "new": new,
        "left": left, "waiting": listed + 2, "visited": fixed + 1, "fixed": fixed, "confirmed": confirmed,
    }  # fmt: skip


NIGHTS = pl.DataFrame(
    [_night(back, *numbers) for back, numbers in zip(_DAYS_BACK, _LEVELS, strict=True)], schema=SCHEMA
)
PLANS = pl.DataFrame(schema=PLAN_SCHEMA)

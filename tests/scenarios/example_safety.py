"""Safety calls of the example night, and how the voltages of their homes moved day by day."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import polars as pl

from pipeline.features.voltage_days import SCHEMA as DAYS
from pipeline.worklist.safety_call_text import CALL_NOW, CALLED
from pipeline.worklist.safety_calls import SCHEMA

NIGHT = date(2026, 6, 14)
SIZE = {
    "v_per_kw": 2.4, "v_per_kw_se": 0.05, "v_per_kw_l1": -2.5, "v_per_kw_l1_se": 0.04, "v_per_kw_l2": 2.4,
    "v_per_kw_l2_se": 0.05, "nights": 9, "data_from": date(2026, 6, 6),
}  # fmt: skip


def call(site_id: str, **said: Any) -> dict[str, Any]:
    """A row of table safety_call, a call that nobody has made yet unless it is said otherwise."""
    usual = {
        "site_id": site_id, "area": "Harbour & Hills", "as_of": NIGHT, "status": CALL_NOW, "is_open": True,
        "since": NIGHT - timedelta(days=2), "nights_open": 3, "told": "No call is recorded. The data show it",
        "is_shown": True, "shown_on": NIGHT, "measured": "V1 - V2 moves -2.50 V for each kW of L1", **SIZE,
    }  # fmt: skip
    return {**dict.fromkeys(SCHEMA), **usual, **said}


def safety_calls(*rows: dict[str, Any]) -> pl.DataFrame:
    """Table safety_call."""
    return pl.DataFrame(list(rows), schema=SCHEMA, orient="row")


def example_calls(now: str, called: str) -> pl.DataFrame:
    """One call to make, one that is made and unmeasured since, and one that is closed."""
    unmeasured = dict.fromkeys((*SIZE, "shown_on", "measured"))
    return safety_calls(
        call(now),
        call(called, status=CALLED, called_on=NIGHT, told="Called on 2026-06-14, today", **unmeasured),
        call("closed-1", status="repaired, and the data since agree", is_open=False),
    )


def voltage_days_of(site_id: str, count: int = 12) -> pl.DataFrame:
    """Table safety_day of one home."""
    rows = [
        (site_id, NIGHT - timedelta(days=back), -2.5 + 0.01 * back, 0.05, 2.4 + 0.01 * back, 0.06)
        for back in reversed(range(count))
    ]
    return pl.DataFrame(rows, schema=DAYS, orient="row")

"""The energy that a listed home misreported so far: an estimate with its interval, or that it isn't known."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.core.alarm import count_of
from pipeline.core.day_text import spell_day
from pipeline.core.number_text import number
from pipeline.core.services import BOTH


def so_far_text(row: Mapping[str, Any]) -> str:
    """Return the sentence about a row of table revisit_list.

    It says of which days the sum is, and that nothing is known of those before, unless the fault began then (`since`).
    """
    if not row["days_so_far"]:
        return "not known: no data since the fault began"
    begins = f"since {spell_day(row['so_far_from'])}, {count_of(row['days_so_far'], 'day')} with data"
    if row["kwh_so_far"] is None:
        return f"{begins}: not known, the readings don't tell how much"
    low, middle, high = (number(row[f"kwh_so_far{end}"]) for end in ("_low", "", "_high"))
    text = f"{begins}: estimate {middle} kWh ({low} to {high})"
    if row["kwh_so_far_low"] > row["kwh_read_so_far"]:
        text += f", more than the home's reading of {number(row['kwh_read_so_far'])} kWh"
        text += ": the channels' errors add up" if _is_on_several(row["leg"]) else ""
    return text if row["since"] == row["so_far_from"] else f"{text}; before that: not known"


def _is_on_several(leg: str | None) -> bool:
    return leg == BOTH or "+" in (leg or "")

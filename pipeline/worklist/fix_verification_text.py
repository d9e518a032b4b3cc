"""What the data since a visit show, in a line with the numbers."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.core.alarm import count_of
from pipeline.core.percent_text import percent

_LEGS = ("l1", "l2")
# Columns that `verification_text` needs.
NUMBERS = (
    "has_data", "nights_since", "still_wrong_share", "slope_expected", "meter_share", "meter_r2", "meter_gain_se",
    *(name.format(leg) for leg in _LEGS for name in (
        "slope_{}", "slope_{}_se", "level_{}_w", "level_{}_se", "meter_gain_{}",
    )),
)  # fmt: skip


def verification_text(row: Mapping[str, Any]) -> str:
    """Return what was measured since the visit, with standard errors: a row with NUMBERS, in W and W/W."""
    if not row["has_data"]:
        return "no data since the visit"
    nights = row["nights_since"]
    parts = [f"{count_of(nights, 'night')} since the visit"]
    slopes = _legs(row, "slope_{}", "slope_{}_se", "{:+.2f}")
    if slopes and row["slope_expected"] is not None:
        parts.append(f"{slopes} W per W of PV, right is {row['slope_expected']:+.2f}")
    levels = _legs(row, "level_{}_w", "level_{}_se", "{:.0f}")
    if levels:
        parts.append(f"overnight baseload {levels} W")
    is_metered = (row["meter_share"] or 0) > 0.5 and (row["meter_r2"] or 0) > 0.5
    meter = _legs(row, "meter_gain_{}", "meter_gain_se", "{:.2f}") if is_metered else ""
    if meter:
        parts.append(f"reading over utility meter {meter}, right is 1")
    parts.append(f"{percent(row['still_wrong_share'])} likely still faulty")
    return "; ".join(parts)


def _legs(row: Mapping[str, Any], value: str, error: str, number: str) -> str:
    """Return "L1 a ± b, L2 c ± d" of what is known; an error that isn't is left out."""
    parts = []
    for leg in _LEGS:
        estimate, se = row[value.format(leg)], row[error.format(leg)]
        if estimate is not None:
            half = "" if se is None else " ± " + number.replace("+", "").format(se)
            parts.append(f"{leg.upper()} {number.format(estimate)}{half}")
    return ", ".join(parts)

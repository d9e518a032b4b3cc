"""What the data since a visit say of it, in a line with the numbers."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.core.percent_text import percent

_LEGS = ("l1", "l2")
# What `proof_words` takes from a row.
NUMBERS = (
    "has_data", "nights_since", "still_wrong_share", "slope_expected", "meter_share", "meter_r2", "meter_gain_se",
    *(name.format(leg) for leg in _LEGS for name in (
        "slope_{}", "slope_{}_se", "level_{}_w", "level_{}_se", "meter_gain_{}",
    )),
)  # fmt: skip


def proof_words(row: Mapping[str, Any]) -> str:
    """Return the line of a row of `fix_verification.prove`: what was measured since the visit, with standard errors.

    `row` has NUMBERS: slope_{leg}, slope_{leg}_se and slope_expected [W/W], level_{leg}_w and level_{leg}_se [W],
    meter_gain_{leg}, meter_gain_se, meter_share and meter_r2, nights_since, still_wrong_share and has_data.
    """
    if not row["has_data"]:
        return "no data since the visit"
    nights = row["nights_since"]
    told = [f"{nights} night{'' if nights == 1 else 's'} since the visit"]
    slopes = _legs(row, "slope_{}", "slope_{}_se", "{:+.2f}")
    if slopes and row["slope_expected"] is not None:
        told.append(f"slope on PV {slopes} W per W, right is {row['slope_expected']:+.2f}")
    levels = _legs(row, "level_{}_w", "level_{}_se", "{:.0f}")
    if levels:
        told.append(f"nights at {levels} W")
    is_metered = (row["meter_share"] or 0) > 0.5 and (row["meter_r2"] or 0) > 0.5
    meter = _legs(row, "meter_gain_{}", "meter_gain_se", "{:.2f}") if is_metered else ""
    if meter:
        told.append(f"by the utility meter {meter} of the truth")
    told.append(f"{percent(row['still_wrong_share'])} likely still wrong")
    return "; ".join(told)


def _legs(row: Mapping[str, Any], value: str, error: str, number: str) -> str:
    """Return "L1 a ± b, L2 c ± d" of what is known; an error that isn't is left out."""
    told = []
    for leg in _LEGS:
        what, by = row[value.format(leg)], row[error.format(leg)]
        if what is not None:
            reach = "" if by is None else " ± " + number.replace("+", "").format(by)
            told.append(f"{leg.upper()} {number.format(what)}{reach}")
    return ", ".join(told)

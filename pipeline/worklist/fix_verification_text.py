"""What the data since a visit show, in a line with the numbers."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Any

from pipeline.core.alarm import count_of
from pipeline.core.line_columns import lines_in
from pipeline.core.percent_text import percent

_NUMBERS = (
    "has_data", "nights_since", "still_wrong_share", "slope_expected", "expected_gain", "meter_share", "meter_r2",
    "meter_gain_se",
)  # fmt: skip
_BY_LINE = (
    "slope_{}", "slope_{}_se", "level_{}_w", "level_{}_se", "meter_gain_{}", "gain_{}", "pv_share_{}",
)  # fmt: skip


def numbers_in(columns: Collection[str]) -> list[str]:
    """Return the columns, of these, that `verification_text` needs."""
    by_line = [name.format(line) for name in _BY_LINE for line in lines_in(columns, name)]
    return [*_NUMBERS, *by_line]


def verification_text(row: Mapping[str, Any]) -> str:
    """Return what was measured since the visit, with standard errors: a row with `numbers_in`, in W and W/W."""
    if not row["has_data"]:
        return "no data since the visit"
    nights = row["nights_since"]
    parts = [f"{count_of(nights, 'night')} since the visit"]
    slopes = _lines(row, "slope_{}", "slope_{}_se", "{:+.2f}")
    if slopes and row["slope_expected"] is not None:
        parts.append(f"{slopes} W per W of PV, right is {_right_slopes(row)}")
    levels = _lines(row, "level_{}_w", "level_{}_se", "{:.0f}")
    if levels:
        parts.append(f"overnight baseload {levels} W")
    is_metered = (row["meter_share"] or 0) > 0.5 and (row["meter_r2"] or 0) > 0.5
    meter = _lines(row, "meter_gain_{}", "meter_gain_se", "{:.2f}") if is_metered else ""
    if meter:
        parts.append(f"reading over utility meter {meter}, right is 1")
    parts.append(f"{percent(row['still_wrong_share'])} likely still faulty")
    return "; ".join(parts)


def _right_slopes(row: Mapping[str, Any]) -> str:
    """Return the slope of a right install [W/W]; where production feeds only some lines, that of each line.

    A line's slope is what the source adds minus its share of production times its gain, and a right gain is the one
    expected.
    """
    rights: dict[str, float] = {}
    for line in lines_in(row, "pv_share_{}"):
        share, slope, gain = (row[name.format(line)] for name in ("pv_share_{}", "slope_{}", "gain_{}"))
        if share is not None and slope is not None:
            rights[line] = (
                slope + share * (gain - row["expected_gain"]) if share and gain is not None else 0.0
            )
    texts = {line: f"{right + 0.0:+.2f}" for line, right in rights.items()}
    if len(set(texts.values())) > 1:
        return ", ".join(f"{text} on {line.upper()}" for line, text in texts.items())
    return next(iter(texts.values()), f"{row['slope_expected']:+.2f}")


def _lines(row: Mapping[str, Any], value: str, error: str, number: str) -> str:
    """Return "L1 a ± b, L2 c ± d" of what is known; an error that isn't is left out."""
    parts = []
    for line in lines_in(row, value):
        estimate, se = row[value.format(line)], row.get(error.format(line))
        if estimate is not None:
            half = "" if se is None else " ± " + number.replace("+", "").format(se)
            parts.append(f"{line.upper()} {number.format(estimate)}{half}")
    return ", ".join(parts)

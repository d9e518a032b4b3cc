"""The crews' page: the `crew_quality` table as it is, with headings and numbers people can read."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.report import words

_SHARE_ENDINGS = ("_share", "_rate", "_low", "_high")
_UNITS = {"w": "W", "kwh": "kWh", "min": "min"}


def crews_context(crew_quality: pl.DataFrame) -> dict[str, Any]:
    """Return headings and rows of the table; columns of shares and rates (0 to 1) read as per cent."""
    columns = crew_quality.columns
    return {
        "columns": [{"name": heading(c), "is_number": crew_quality.schema[c].is_numeric()} for c in columns],
        "rows": [
            [cell(name, value) for name, value in row.items()] for row in crew_quality.iter_rows(named=True)
        ],
    }


def heading(column: str) -> str:
    """Return a column's name in words, its unit in brackets."""
    stem, _, unit = column.rpartition("_")
    return f"{words.plain(stem)} [{_UNITS[unit]}]" if stem and unit in _UNITS else words.plain(column)


def cell(column: str, value: Any) -> str:
    """Return one value in words."""
    if value is None:
        return words.NOTHING
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        is_share = column.endswith(_SHARE_ENDINGS) and 0 <= value <= 1
        return f"{value * 100:.1f} %" if is_share else words.number(value, 2)
    return words.number(value) if isinstance(value, int) else str(value)

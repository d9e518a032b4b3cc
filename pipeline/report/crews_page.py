"""The crews' page: the `crew_quality` table as it is, with headings and numbers people can read."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import polars as pl

from pipeline.report import words
from pipeline.report.model import FaultCard

_HEADINGS = {
    "crew_id": "crew",
    "crew_name": "name",
    "judged": "homes judged",
    "confirmed_faults": "faults confirmed",
    "expected_faults": "faults expected",
    "later_faults": "began later (not counted)",
    "rate_low": "rate, 95 % from",
    "rate_high": "rate, 95 % to",
    "shrunk_rate": "rate, shrunk to the fleet",
    "is_ranked": "enough homes to rank",
    "top_fault": "most frequent fault",
}
_SHARE_ENDINGS = ("rate", "_low", "_high", "_share")


def crews_context(crew_quality: pl.DataFrame, cards: Mapping[str, FaultCard]) -> dict[str, Any]:
    """Return headings and rows of the table; rates and shares (0 to 1) read as per cent, faults by name."""
    columns = crew_quality.columns
    rows = crew_quality.iter_rows(named=True)
    return {
        "columns": [{"name": heading(c), "is_number": crew_quality.schema[c].is_numeric()} for c in columns],
        "rows": [[cell(name, value, cards) for name, value in row.items()] for row in rows],
    }


def heading(column: str) -> str:
    """Return a column's name in words."""
    return _HEADINGS.get(column) or words.plain(column)


def cell(column: str, value: Any, cards: Mapping[str, FaultCard]) -> str:
    """Return one value in words."""
    if value is None:
        return words.NOTHING
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        is_share = column.endswith(_SHARE_ENDINGS)
        return f"{words.number(value * 100, 1)} %" if is_share else words.number(value, 1)
    if isinstance(value, int):
        return words.number(value)
    return words.fault(value, cards) if column.endswith("fault") else str(value)

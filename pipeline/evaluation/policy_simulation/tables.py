"""A table of the rehearsal: one frame for the screen, the page and a CSV file alike."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import polars as pl

HEADINGS = {
    "is_met": "", "in_vain": "for nothing", "in_vain_share": "share for nothing", "by": "",
    "wasted_share": "of visits", "desk": "at the desk", "desk_in_vain": "in vain",
    "put_right": "put right", "faulty_left": "faulty at the end", "faulty_days": "faulty home-days",
    "wrong_mwh": "misreported MWh", "again_same": "again, same reason", "again_any": "again, any reason",
    "median_nights": "median nights", "p90_nights": "90th", "p90_of_all": "90th of all", "count": "",
    "why_open": "why", "nights_left": "median nights watched", "proved": "proved right", "disproved": "still wrong",
}  # fmt: skip


@dataclass(frozen=True)
class Table:
    """`frame` with a title and a note; `name` is its file's."""

    name: str
    title: str
    frame: pl.DataFrame
    note: str = ""

    def cells(self) -> tuple[list[str], list[list[str]], list[bool]]:
        """Return headings, rows of text, and which columns are numbers."""
        headings = [HEADINGS.get(name, name.replace("_", " ")) for name in self.frame.columns]
        rows = [[written(name, value) for name, value in row.items()] for row in self.frame.to_dicts()]
        return headings, rows, [kind.is_numeric() for kind in self.frame.dtypes]


def written(column: str, value: Any) -> str:
    """Return a value as people read it: shares in per cent, nothing as a dash."""
    if value is None:
        return "–"
    if isinstance(value, bool):
        return "met" if value else "not met"
    if column.endswith("_share"):
        return f"{100 * value:.0f} %"
    if isinstance(value, float):
        return f"{value:,.1f}"
    return f"{value:,}" if isinstance(value, int) else str(value).replace("_", " ")

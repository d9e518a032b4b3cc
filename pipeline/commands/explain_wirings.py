"""The part of `nightclamp explain` about three lines: which wirings of the CTs explain the data."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from pipeline.core.percent_text import percent


def wiring_lines(panel: Mapping[str, Any] | None) -> Iterator[str]:
    """Yield an item a wiring, the likeliest first, of `wiring_panel.wiring_panel`; nothing for None."""
    if panel is None:
        return
    for row in panel["rows"]:
        look = f" On site: {row['look_at']}" if row["look_at"] else ""
        yield f"{percent(row['likelihood'])}: {' '.join(row['wiring'])}{look}"
    if panel["others"]:
        yield panel["others"]

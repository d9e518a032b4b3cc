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
        yield f"{percent(row['likelihood'])}: {' '.join(row['parts'])}"
    if panel["rest"]:
        yield f"{panel['rest']}: all other wirings together."
    if panel["look_at"] and panel["rows"][1:]:
        yield f"To tell the first two apart on site: {panel['look_at']}."

"""Texts that are written for a home with two legs, as a home with one or three lines reads them."""

from __future__ import annotations

import re
from typing import Final

# (what a text for two legs says, with three lines, with one line); the first that fits a place counts.
_SAYINGS: Final = (
    ("both CTs on one leg", "two CTs on one line", "both CTs on one line"),
    (
        "Both CTs are around one leg's conductors; the other leg is not measured at all",
        "Two CTs are around one line's conductors; one line is not measured at all",
        "Both CTs are around one line's conductors",
    ),
    (
        "The CT of L1 is on L2's conductor and the other way round, so each current is multiplied with the wrong "
        "voltage",
        "CTs are around each other's conductors, so each of their currents is multiplied with another line's voltage",
        "The CTs are around each other's conductors",
    ),
    (
        "CT reversed on both legs: the same powers on 120/240, only the leg voltages differ",
        "CT reversed: with another line's voltage a load reads about minus half of itself",
        "CT reversed",
    ),
    ("Exchange the two CTs' leads", "Exchange these CTs' leads", "Exchange the CTs' leads"),
    ("L1 rises by about +1.5 kW and L2 stays; then the same on leg 2",
     "L1 rises by about +1.5 kW and the others stay; then the same on each other line",
     "L1 rises by about +1.5 kW"),
    ("and the other stays", "and the others stay", ""),
    ("falls by half the production", "falls by its share of the production", "falls by the production"),
    ("returns to -0.5", "returns to its expected size", "returns to -1"),
    ("with a 240 V load running", "with a large load running", "with a large load running"),
    ("load at 240 V", "load on all three lines", "load on large appliances"),
    ("240 V loads", "loads on several lines", "large loads"),
    ("240 V load", "load on several lines", "large load"),
    ("240 V (208 V)", "400 V (208 V)", "230 V"),
    ("load runs on the other leg", "load runs on another line", "load runs elsewhere"),
    ("mostly on the other leg", "mostly on other lines", "mostly on another circuit"),
    ("the other leg", "another line", "another line"),
    ("other leg", "other line", "other line"),
    ("both legs", "all lines", "the line"),
    ("legs", "lines", "line"),
    ("leg", "line", "line"),
)  # fmt: skip
_BY_COUNT: Final = {
    3: {said: three for said, three, _ in _SAYINGS},
    1: {said: one for said, _, one in _SAYINGS},
}
_FOUND: Final = re.compile("|".join(rf"(?<!\w){re.escape(said)}(?!\w)" for said, *_ in _SAYINGS))


def for_lines(text: str, line_count: int | None) -> str:
    """Return a text about two legs as a home with so many lines reads it; with two, or None, it stays as it is.

    >>> for_lines("CTs on each other's legs", 3), for_lines("CT ratio set wrong when on both legs", 1)
    ("CTs on each other's lines", 'CT ratio set wrong when on the line')
    """
    instead = _BY_COUNT.get(line_count or 2)
    return text if instead is None else _FOUND.sub(lambda found: instead[found[0]], text)

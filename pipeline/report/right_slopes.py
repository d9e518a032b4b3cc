"""The slope on production of a right install, line by line: lines that production doesn't feed have none."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, TypeAlias

from pipeline.report import words

# Of every line alike, or by line (l1, ...); None where nothing is known.
Expected: TypeAlias = float | Mapping[str, float | None] | None
_ALIKE = 0.005  # closer than any page writes them


def expected_slopes(score: Mapping[str, Any], lines: Sequence[str]) -> Expected:
    """Return the slope of a right install [W/W]: of all lines where production feeds them alike, else by line.

    Parameters
    ----------
    score
        The home's row of site_scores: slope_expected of a line that production feeds, and where it is known what
        share of production goes to each line (`pv_share_l1` and so on).
    lines
        The home's (l1, ...).
    """
    expected: float | None = score["slope_expected"]
    shares = {line: share for line in lines if (share := score.get(f"pv_share_{line}")) is not None}
    if expected is None or len(lines) < 3 or len(shares) < len(lines):
        return expected
    largest = max(shares.values())
    by_line = {line: expected * share / largest if largest else 0.0 for line, share in shares.items()}
    return by_line if max(by_line.values()) - min(by_line.values()) > _ALIKE else expected


def expected_of(expected: Expected, line: str) -> float | None:
    """Return the expected slope of one line [W/W]."""
    return expected.get(line) if isinstance(expected, Mapping) else expected


def right_slopes(expected: Expected, lines: Sequence[str]) -> list[float]:
    """Return the different slopes of right lines [W/W], the steepest first."""
    values = {expected_of(expected, line) for line in lines} - {None}
    return sorted((value for value in values if value is not None), key=lambda value: -abs(value))


def right_text(expected: Expected, lines: Sequence[str], unit: str = "") -> str:
    """Return what is right, with its unit: "−0.50", or by line "−0.50 on L1 and L3, 0.00 on L2"."""
    if not isinstance(expected, Mapping):
        return f"{words.number(expected, 2, sign=True)}{unit}"
    groups: dict[str, list[str]] = {}
    for line in lines:
        groups.setdefault(words.number(expected.get(line), 2, sign=True), []).append(line.upper())
    return ", ".join(f"{value}{unit} on {' and '.join(names)}" for value, names in groups.items())

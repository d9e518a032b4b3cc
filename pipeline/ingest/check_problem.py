"""One line of `nightclamp check`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

LISTED_HOMES = 5
Severity = Literal["fail", "note"]


@dataclass(frozen=True)
class Problem:
    """One line: a `fail` is outside the contract and costs rows, a `note` is worth knowing."""

    severity: Severity
    where: str
    what: str
    hint: str = ""


def count(number: int, thing: str) -> str:
    """Return "1 row", "2 rows"."""
    return f"{number} {thing}{'' if number == 1 else 's'}"


def name_some(names: Sequence[str]) -> str:
    """Return the first names, and how many more there are."""
    more = len(names) - LISTED_HOMES
    return ", ".join(names[:LISTED_HOMES]) + (f" and {more} more" if more > 0 else "")

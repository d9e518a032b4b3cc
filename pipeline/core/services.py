"""What the utility brings to a home: how many line conductors, at which voltage and which angle.

A home has one, two or three lines to a common neutral. Files name lines l1, l2, l3; a leg of a finding is any set of
them: "l1", "l1+l3", and "both" for both lines of a home that has two.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import combinations
from typing import Final

LINES: Final = ("l1", "l2", "l3")
BOTH: Final = "both"
UNKNOWN: Final = "120/240"  # what an empty service is taken for
HIGH_FROM_V: Final = 180.0  # volts to neutral of a line: a 230 V service above, a 120 V one below


@dataclass(frozen=True)
class Service:
    """A service: its `name`, volts to neutral of a line [V rms], and each line's angle against the first [deg].

    A positive angle leads. `title` is what people read.
    """

    name: str
    title: str
    volts: float
    degrees: tuple[float, ...]

    @property
    def line_count(self) -> int:
        """How many line conductors it has, 1 to 3."""
        return len(self.degrees)

    @property
    def lines(self) -> tuple[str, ...]:
        """The codes of its lines."""
        return LINES[: self.line_count]


SERVICES: Final = {
    service.name: service
    for service in (
        Service("120/240", "120/240 V", 120.0, (0.0, 180.0)),
        Service("120/208", "120/208 V", 120.0, (0.0, -120.0)),
        Service("single", "single leg", 240.0, (0.0,)),
        Service("230", "230 V, one line", 230.0, (0.0,)),
        Service("230/400", "230/400 V, three lines", 230.0, (0.0, -120.0, 120.0)),
        Service("120/208 three-phase", "120/208 V, three lines", 120.0, (0.0, -120.0, 120.0)),
    )
}

THREE_LINE_SERVICES: Final = tuple(
    name for name, service in SERVICES.items() if service.line_count == len(LINES)
)


def service_of(name: str | None) -> Service:
    """Return the service of this name; an empty one is 120/240."""
    return SERVICES[name or UNKNOWN]


def _sets() -> tuple[tuple[str, ...], ...]:
    return tuple(lines for size in (1, 2, 3) for lines in combinations(LINES, size))


# Every leg a finding can have, as files write it: single lines, "both", and the other sets of lines.
LEGS: Final = ("l1", "l2", BOTH, "l3", *("+".join(lines) for lines in _sets() if len(lines) > 1))


def leg_code(lines: Iterable[str], line_count: int) -> str:
    """Return how files write a set of lines of a home with so many: ("l1", "l2") of two is "both".

    >>> leg_code(["l3", "l1"], 3)
    'l1+l3'
    """
    chosen = [line for line in LINES[:line_count] if line in set(lines)]
    return BOTH if line_count == 2 and len(chosen) == 2 else "+".join(chosen)


def lines_of(leg: str | None, line_count: int) -> tuple[str, ...]:
    """Return the lines that a leg names at a home with so many; "both" is all of them, None and "" are none.

    >>> lines_of("both", 1), lines_of("l1+l3", 3)
    (('l1',), ('l1', 'l3'))
    """
    if not leg:
        return ()
    lines = LINES[:line_count]
    return lines if leg == BOTH else tuple(line for line in lines if line in leg.split("+"))


def leg_codes(line_count: int) -> tuple[str, ...]:
    """Return every leg that a finding can have at a home with so many lines, single lines first.

    >>> leg_codes(2)
    ('l1', 'l2', 'both')
    """
    lines = LINES[:line_count]
    return tuple(leg_code(chosen, line_count) for chosen in _sets() if set(chosen) <= set(lines))

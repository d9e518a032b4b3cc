"""How a probe's numbers are told: a leg at a time, what is wrong first, each with what right would be."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import cache
from math import inf
from typing import Any, NamedTuple

from pipeline.core.number_text import number
from pipeline.core.percent_text import percent
from pipeline.core.services import LINES

Row = Mapping[str, Any]
NOT_KNOWN = "too little data to tell"


class Verb(NamedTuple):
    """What is said of one leg and of several: "tracks PV", "track PV"."""

    one: str
    two: str


class LegNumber(NamedTuple):
    """A leg ("L1"), its number as it is written, and what that says of it."""

    leg: str
    text: str
    verb: Verb
    is_wrong: bool


def value_of(row: Row, column: str) -> float | None:
    """Return a finite number of the row, None where there is none."""
    value = row.get(column)
    return value if value is not None and -inf < value < inf else None


def known_legs(row: Row, template: str) -> list[tuple[str, float]]:
    """Return (leg code, its number) of the legs that have one."""
    known = []
    for leg, column in _leg_columns(template):
        value = value_of(row, column)
        if value is not None:
            known.append((leg, value))
    return known


@cache
def _leg_columns(template: str) -> tuple[tuple[str, str], ...]:
    return tuple((leg, template.format(leg)) for leg in LINES)


def leg_numbers(
    row: Row,
    template: str,
    judge: Callable[[str, float], tuple[Verb, bool]],
    *,
    write: Callable[[float], str],
) -> list[LegNumber]:
    """Return the legs that have a number.

    Parameters
    ----------
    row, template
        A row of site_signal, and the column a leg.
    judge
        Leg code and number -> what that says, and whether it is wrong.
    write
        The number as it is written.
    """
    return [
        LegNumber(leg.upper(), write(value), *judge(leg, value)) for leg, value in known_legs(row, template)
    ]


def tell_legs(legs: Sequence[LegNumber], *, unit: str = "", right: str, before: str = "") -> str:
    """Return what is wrong with the legs and what right would be: "L1 reads too little: 0.50 times, right is 1.00".

    Parameters
    ----------
    legs
        Those that have a number.
    unit
        Stands after the first numbers, with its space.
    right
        What a right install shows.
    before
        Stands before it all, with its space.
    """
    if not legs:
        return NOT_KNOWN
    wrong = [leg for leg in legs if leg.is_wrong]
    groups: dict[Verb, list[LegNumber]] = {}
    for leg in wrong or legs:
        groups.setdefault(leg.verb, []).append(leg)
    parts = []
    for verb, members in groups.items():
        said = verb.one if len(members) == 1 else verb.two
        numbers = together([leg.text for leg in members])
        parts.append(f"{together([leg.leg for leg in members])} {said}: {numbers}{unit}")
        unit = ""
    others = ", ".join(f"{leg.leg} {leg.text}" for leg in legs if wrong and not leg.is_wrong)
    return f"{before}{', '.join(parts)}, right is {right}" + (f" ({others})" if others else "")


def signed(value: float) -> str:
    """Return two decimals with their sign: "+0.50", "−0.50", "0.00"."""
    return number(value, 2, sign=True)


def plain(value: float) -> str:
    """Return two decimals."""
    return number(value, 2)


def watts(value: float) -> str:
    """Return whole watts with their unit."""
    return f"{number(value)} W"


def share_of(share: float, of: str) -> str:
    """Return how often: "never", "in 54 % of night intervals"."""
    return f"in {percent(share)} of {of}" if share > 0 else "never"


def say_legs(numbers: Sequence[tuple[str, str]], one: str, two: str) -> str:
    """Return the legs with one text for all: "L1 and L2 fall 5 W and 6 W", from (leg code, number as written).

    "{}" in `one` and `two` stands for the numbers.
    """
    text = one if len(numbers) == 1 else two
    return f"{together([leg.upper() for leg, _ in numbers])} {text.format(together([said for _, said in numbers]))}"


def together(parts: Sequence[str]) -> str:
    """Return "a", "a and b", "a, b and c"."""
    return " and ".join(filter(None, (", ".join(parts[:-1]), parts[-1]))) if parts else ""

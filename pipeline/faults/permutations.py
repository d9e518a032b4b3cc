"""The ways in which CTs can sit on each other's lines, and how readings of such an install are put back.

An order says on which line (from 1) each channel's CT sits: (2, 1) is an exchange, (2, 3, 1) a rotation of three.
With a sign a channel there are 2 wirings of one line, 8 of two and 48 of three.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import permutations, product

import polars as pl

from pipeline.core.services import LINES, lines_of, service_of
from pipeline.faults.channels import Channels, Order, Signs


def orders_of(leg: str, line_count: int) -> tuple[Order, ...]:
    """Return the orders in which just the CTs of this leg's lines sit on each other's lines, none on its own.

    >>> orders_of("l1+l3", 3), orders_of("l1+l2+l3", 3)
    (((3, 2, 1),), ((2, 3, 1), (3, 1, 2)))
    """
    moved = {LINES.index(line) + 1 for line in lines_of(leg, line_count)}
    return tuple(
        order
        for order in permutations(range(1, line_count + 1))
        if all((line in moved) == (on != line) for line, on in enumerate(order, start=1))
    )


def wirings(line_count: int) -> Iterator[tuple[Order, Signs]]:
    """Yield every order and sign of the CTs of so many lines, the right one first: 2, 8 or 48."""
    return product(permutations(range(1, line_count + 1)), product((1, -1), repeat=line_count))


def order_text(order: Order) -> str:
    """Return an order as people read it.

    >>> order_text((2, 1, 3)), order_text((2, 3, 1))
    ('L1 and L2 exchanged', "L1's CT on L2, L2's on L3, L3's on L1")
    """
    moved = [(line, on) for line, on in enumerate(order, start=1) if line != on]
    if len(moved) == 2:
        return f"L{moved[0][0]} and L{moved[0][1]} exchanged"
    return ", ".join(f"L{line}'s {'CT ' if line == 1 else ''}on L{on}" for line, on in moved)


def read_wiring(code: str) -> tuple[Order, Signs]:
    """Return order and signs as tables write them, the line of each channel's CT with its sign.

    >>> read_wiring("l2+ l1- l3+")
    ((2, 1, 3), (1, -1, 1))
    """
    words = code.split()
    order = tuple(LINES.index(word[:-1]) + 1 for word in words)
    return order, tuple(1 if word[-1] == "+" else -1 for word in words)


def put_back(now: Channels, order: Order, signs: Signs | None = None, *, service: str) -> Channels:
    """Return what CTs on their own lines would read; exact with voltages, and var where lines are 120 degrees apart.

    Channel i on line j with sign s reads S_i' = s V_i conj(I_j), so S_j = s S_i' V_j / V_i.

    Parameters
    ----------
    now
        The readings.
    order, signs
        On which line each channel's CT sits, and -1 where it is turned; None: none is.
    service
        Whose angles the lines have.
    """
    right = now
    for channel, line in enumerate(order, start=1):
        sign = 1 if signs is None else signs[channel - 1]
        read, true = LINES[channel - 1], LINES[line - 1]
        if channel == line:
            right = right.scaled(read, sign) if sign < 0 else right
            continue
        cosine, sine = turn_between(service, channel, line)
        size = now.get(true, "v") / now.get(read, "v")
        watts, var = (_turned(now, read, parts, sign) for parts in ((cosine, -sine), (sine, cosine)))
        right = right.with_leg(true, size * watts, size * var)
    return right


def turn_between(service: str, channel: int, line: int) -> tuple[float, float]:
    """Return cosine and sine of a line's voltage against that of a channel (both from 1), exact at 120 and 180 degrees.

    >>> turn_between("120/240", 1, 2)
    (-1.0, 0.0)
    """
    degrees: Sequence[float] = service_of(service).degrees
    turn = (degrees[line - 1] - degrees[channel - 1]) % 360.0
    exact = {0.0: (1.0, 0.0), 120.0: (-0.5, 3**0.5 / 2), 180.0: (-1.0, 0.0), 240.0: (-0.5, -(3**0.5) / 2)}
    return exact.get(turn) or (math.cos(math.radians(turn)), math.sin(math.radians(turn)))


def _turned(now: Channels, leg: str, parts: tuple[float, float], sign: int) -> pl.Expr:
    """Return so much of a line's real and of its reactive power; what counts nothing needn't be known."""
    terms = [
        sign * part * now.get(leg, unit) for part, unit in zip(parts, ("w", "var"), strict=True) if part != 0
    ]
    return terms[0] if len(terms) == 1 else terms[0] + terms[1]

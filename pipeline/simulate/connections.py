"""Where a home's loads stand: on one line, on two or on all three, in either of the panel's two bundles.

A panel's loads are kept in rows, two (bundle a, b) for each connection of its service, single lines first. A load on
two lines is between them where the voltage between lines is what such loads are made for (120/240, 120/208), and half
on each of them to neutral at 230/400; one on three lines takes a third from each. Homes with one line are drawn as if
there were two, and everything then lands on the one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial

from pipeline.core.services import LINES, service_of
from pipeline.faults.circuit import Circuit, Complex, Float, line_to_line_va

_TWO_LINES = ((1,), (2,), (1, 2))
_THREE_LINES = ((1,), (2,), (3,), (1, 2), (2, 3), (3, 1), (1, 2, 3))
_TO_NEUTRAL = {"230/400"}  # services on which a load on two lines stands between each of them and neutral


def drawn_lines(service: str) -> int:
    """Return how many lines a home's loads are drawn for: 3, or 2 (also for a home with one)."""
    return max(2, service_of(service).line_count)


def connections(service: str) -> tuple[tuple[int, ...], ...]:
    """Return the sets of lines that a load can stand on, in the order of the rows."""
    return _THREE_LINES if drawn_lines(service) == 3 else _TWO_LINES


def row_of(service: str, lines: tuple[int, ...], bundle: int) -> int:
    """Return the row of a load on these lines (1, 2, 3; a pair as `connections` names it), in bundle 0 (a) or 1 (b)."""
    return 2 * connections(service).index(lines) + bundle


def loads_by_line(service: str, rows_va: Complex, volts: Float | float) -> Complex:
    """Return what each line's bundles take [W + j var], shape (lines, 2, n), of the lines that loads are drawn for.

    Parameters
    ----------
    service
        Of the home.
    rows_va
        Loads by `row_of`, shape (rows, n).
    volts
        Size of each line's voltage to neutral [V rms]: a number, (lines, 1) or (lines, n).
    """
    count = drawn_lines(service)
    by_line = rows_va[: 2 * count].reshape(count, 2, -1).copy()
    for lines in connections(service)[count:]:
        for bundle in (0, 1):
            power = rows_va[row_of(service, lines, bundle)]
            if service in _TO_NEUTRAL:
                for line in lines:
                    by_line[line - 1, bundle] += power / len(lines)
                continue
            names = [LINES[line - 1] for line in lines]
            drawn = line_to_line_va(power, volts, service=service, lines=names)
            by_line[: len(drawn), bundle] += drawn
    return by_line


def merge_lines(service: str, by_line: Complex) -> Complex:
    """Return loads of shape (lines drawn, ...) on the lines that the home has, shape (lines, ...)."""
    return by_line.sum(axis=0, keepdims=True) if service_of(service).line_count == 1 else by_line


def home_circuit(
    by_line: Complex,
    pv_w: Float,
    *,
    battery_w: Float,
    other_w: Float,
    service: str,
    volts: Float | float,
    minutes: float,
    pv_lines: Sequence[str] | None,
) -> Circuit:
    """Return a home's circuit.

    Parameters
    ----------
    by_line
        Loads of each line's bundles [W + j var], shape (lines, 2, n).
    pv_w, battery_w, other_w
        What inverter, battery and an array that nobody monitors feed [W], shape (n,). A battery of a home with three
        lines stands on the inverter's lines, everything else on all.
    service, volts, minutes, pv_lines
        As in `Circuit.from_powers`.
    """
    build = partial(
        Circuit.from_bundles, by_line[:, 0], by_line[:, 1], service=service, volts=volts, minutes=minutes,
        pv_lines=pv_lines,
    )  # fmt: skip
    if len(by_line) < 3:
        return build(pv_w, battery_w=battery_w + other_w)
    return replace(build(pv_w + battery_w, battery_w=other_w), pv=build(pv_w).pv)

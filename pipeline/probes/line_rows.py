"""Homes by how many lines they have, and where each quantity of a home of three lines is read.

A home of three lines is three pairs of lines, each of which is what a home of two legs is (`core.line_pairs`). A
leg's quantity is read once a line, a pair's once a pair, and what is the whole home's from its row.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.line_pairs import PAIR_INDICES, pair_view
from pipeline.core.services import LINES
from pipeline.probes.probe import Quantity
from pipeline.probes.wirings import add_wirings

Float = NDArray[np.float64]
TWO, THREE = 2, 3


def by_line_count(signals: pl.DataFrame) -> Iterator[tuple[int, pl.DataFrame]]:
    """Yield the homes of up to two lines, as they are, and those of three, made ready; those that there are.

    Homes keep their order. A frame without homes is yielded once, as of two lines.
    """
    has_three = has_three_lines(signals)
    if not has_three.any():
        yield TWO, signals
        return
    if not has_three.all():
        yield TWO, signals.filter(~has_three)
    yield THREE, with_wirings(signals.filter(has_three))


def has_three_lines(signals: pl.DataFrame) -> pl.Series:
    """Return which homes have three lines, (n,)."""
    if "line_count" not in signals.columns:
        return pl.repeat(False, signals.height, eager=True)
    return (signals["line_count"] == THREE).fill_null(False)


def line_count_of(signals: pl.DataFrame) -> int:
    """Return 3 where all homes have three lines, 2 where none has.

    Raises
    ------
    ValueError
        Some have and some haven't: their quantities have different shapes.
    """
    has_three = has_three_lines(signals)
    if has_three.any() and not has_three.all():
        raise ValueError("homes of three lines are measured apart from those of two")
    return THREE if has_three.any() else TWO


def with_wirings(signals: pl.DataFrame) -> pl.DataFrame:
    """Return homes of three lines with the columns that say which CT may be on which line."""
    return signals if "wiring_right" in signals.columns else add_wirings(signals, pair_rows(signals))


def pair_rows(signals: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Return each pair's rows of homes of three lines, under the names that a home of two legs has."""
    return {pair: pair_view(signals, pair) for pair in PAIR_INDICES}


def read_three_lines(
    quantity: Quantity,
    ask: Callable[[str, str], Float],
) -> Float:
    """Return a quantity of homes of three lines: (n, lines), (n, pairs) or (n, 1).

    Parameters
    ----------
    quantity
        What is asked.
    ask
        From a pair ("" for the home's own row) and a leg to the numbers, (n,).
    """
    if quantity.shape == "leg" and quantity.scope == "pair":
        return _of_both_pairs(quantity, ask)
    if quantity.shape == "leg":
        return np.column_stack([ask("", line) for line in LINES])
    if quantity.is_of_pair:
        return np.column_stack([ask(pair, "l1") for pair in PAIR_INDICES])
    return ask("", "l1")[:, None]


def _of_both_pairs(quantity: Quantity, ask: Callable[[str, str], Float]) -> Float:
    """Return each line's number by the two pairs in which it stands: the worse one, else the mean, (n, lines)."""
    seen: list[list[Float]] = [[], [], []]
    for pair, lines in PAIR_INDICES.items():
        for line, leg in zip(lines, ("l1", "l2"), strict=True):
            seen[line].append(ask(pair, leg))
    columns = []
    for one, other in seen:
        if quantity.wrong:
            columns.append((np.fmin if quantity.wrong == "low" else np.fmax)(one, other))
        else:
            known = np.where(np.isnan(one), other, one)
            columns.append((known + np.where(np.isnan(other), known, other)) / 2)
    return np.column_stack(columns)

"""Columns of the lines: a table has those of a third line only on nights with a home that has three."""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

import polars as pl

from pipeline.core import line_pairs
from pipeline.core.services import BOTH, LINES

# Pairs of lines by the end of their columns' names: in a column of pair 31 "l1" stands for line 3 and "l2" for line 1.
PAIRS: Final = {"" if pair == "12" else f"_{pair}": lines for pair, lines in line_pairs.PAIRS.items()}


def lines_in(columns: Collection[str], template: str) -> tuple[str, ...]:
    """Return the lines whose column is there.

    >>> lines_in(["slope_l1", "slope_l2"], "slope_{}")
    ('l1', 'l2')
    """
    return tuple(line for line in LINES if template.format(line) in columns)


def has_line(leg: pl.Expr, line: str) -> pl.Expr:
    """Return whether a column of legs names this line ("both" names all of a home's); null where there is no leg."""
    return (leg == BOTH) | leg.str.split("+").list.contains(line)

"""Where a fleet's normal is unlike many fleets', and where it has moved since the run before."""

from __future__ import annotations

from math import log
from typing import Any

import polars as pl

from pipeline.core.line_words import LineWords
from pipeline.report import words
from pipeline.report.normal_words import STRATA, quantity_name, scatter

LEAST_VALUES = 20  # a spread from fewer says too little of a fleet to be called unlike
UNLIKE = 2.0  # times as wide, or centres so many spreads apart
MOVED = 1.5  # times as wide as the run before, or a centre moved by MOVED - 1 spreads
_KEY = ("probe", "quantity", "stratum")
_IS_ENOUGH = pl.col("homes") >= LEAST_VALUES


def unlike_others(normal: pl.DataFrame, lines: LineWords) -> list[str]:
    """Return what scatters here unlike in many fleets, in sentences, farthest first; `lines` are the fleet's words."""
    rows = normal.select(
        *_KEY, "homes", "unit", centre="own_centre", spread="own_spread", was_centre="shipped_centre",
        was_spread="shipped_spread",
    )  # fmt: skip
    far = _far(rows, UNLIKE, UNLIKE)
    return [_sentence(row, "in many fleets", lines) for row in far.iter_rows(named=True)]


def moved_since(normal: pl.DataFrame, before: pl.DataFrame, lines: LineWords) -> list[str]:
    """Return what has moved since the run before, in sentences, farthest first."""
    earlier = before.filter(_IS_ENOUGH).select(*_KEY, was_centre="centre", was_spread="spread")
    rows = normal.join(earlier, on=list(_KEY), maintain_order="left").select(
        *_KEY, "homes", "unit", "centre", "spread", "was_centre", "was_spread"
    )
    far = _far(rows, MOVED, MOVED - 1)
    return [_sentence(row, "in the run before", lines) for row in far.iter_rows(named=True)]


def _far(rows: pl.DataFrame, wider: float, apart: float) -> pl.DataFrame:
    """Return the rows whose spread or centre is beyond a limit, by how many limits it is out."""
    ratio = pl.col("spread") / pl.col("was_spread")
    shift = (pl.col("centre") - pl.col("was_centre")) / pl.col("was_spread")
    return (
        rows.filter(_IS_ENOUGH)
        .drop_nulls()
        .with_columns(ratio=ratio, shift=shift)
        .with_columns(size=ratio.log().abs() / log(wider), distance=shift.abs() / apart)
        .filter(pl.max_horizontal("size", "distance") > 1)
        .sort(pl.max_horizontal("size", "distance"), descending=True, maintain_order=True)
    )


def _sentence(row: dict[str, Any], other: str, lines: LineWords) -> str:
    parts = []
    if row["size"] > 1:
        times = words.number(max(row["ratio"], 1 / row["ratio"]), 1)
        parts.append(f"scatters {times} times {'as wide as' if row['ratio'] > 1 else 'less than'} {other}")
    if row["distance"] > 1:
        side = "above" if row["shift"] > 0 else "below"
        parts.append(f"the middle lies {words.number(abs(row['shift']), 1)} spreads {side} that {other}")
    name = quantity_name(row["probe"], row["quantity"], lines)
    here = scatter(row["quantity"], row["unit"], row["centre"], spread=row["spread"])
    there = scatter(row["quantity"], row["unit"], row["was_centre"], spread=row["was_spread"])
    return f"{name} ({STRATA[row['stratum']]}): {', '.join(parts)}; {here} against {there}"

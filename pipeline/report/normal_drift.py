"""Where a fleet's normal is unlike many fleets', and where it has moved since the run before."""

from __future__ import annotations

from collections.abc import Iterator
from math import log

import polars as pl

from pipeline.report import words
from pipeline.report.normal_words import QUANTITIES, STRATA, scatter

LEAST_VALUES = 20  # a spread from fewer says too little of a fleet to be called unlike
UNLIKE = 2.0  # times as wide, or centres so many spreads apart
MOVED = 1.5  # times as wide as the run before, or a centre moved by MOVED - 1 spreads
_KEY = ("probe", "quantity", "stratum")


def unlike_others(normal: pl.DataFrame) -> list[str]:
    """Return what scatters here unlike in many fleets, in sentences, farthest first."""
    rows = normal.filter(pl.col("homes") >= LEAST_VALUES).select(
        *_KEY, "unit", centre="own_centre", spread="own_spread", was_centre="shipped_centre",
        was_spread="shipped_spread",
    )  # fmt: skip
    return _told(rows, UNLIKE, UNLIKE, "in many fleets")


def moved_since(normal: pl.DataFrame, before: pl.DataFrame | None) -> list[str]:
    """Return what has moved since the run before (`before`, None: there was none), in sentences, farthest first."""
    if before is None:
        return []
    enough = pl.col("homes") >= LEAST_VALUES
    earlier = before.filter(enough).select(*_KEY, was_centre="centre", was_spread="spread")
    now = normal.filter(enough).select(*_KEY, "unit", "centre", "spread")
    rows = now.join(earlier, on=list(_KEY), maintain_order="left")
    return _told(rows, MOVED, MOVED - 1, "in the run before")


def _told(rows: pl.DataFrame, wider: float, apart: float, than: str) -> list[str]:
    found = sorted(_far(rows.drop_nulls(), wider, apart, than), key=lambda pair: -pair[0])
    return [text for _, text in found]


def _far(rows: pl.DataFrame, wider: float, apart: float, than: str) -> Iterator[tuple[float, str]]:
    """Yield (how many limits out, sentence) of the rows beyond a limit."""
    for row in rows.iter_rows(named=True):
        ratio = row["spread"] / row["was_spread"]
        shift = (row["centre"] - row["was_centre"]) / row["was_spread"]
        sizes = abs(log(ratio)) / log(wider), abs(shift) / apart
        if max(sizes) <= 1:
            continue
        said = []
        if sizes[0] > 1:
            many = words.number(max(ratio, 1 / ratio), 1)
            said.append(f"scatters {many} times {'as wide as' if ratio > 1 else 'less than'} {than}")
        if sizes[1] > 1:
            side = "above" if shift > 0 else "below"
            said.append(f"the middle lies {words.number(abs(shift), 1)} spreads {side} that {than}")
        name = QUANTITIES.get(f"{row['probe']}.{row['quantity']}", words.plain(row["quantity"]))
        here = scatter(row["quantity"], row["unit"], row["centre"], row["spread"])
        there = scatter(row["quantity"], row["unit"], row["was_centre"], row["was_spread"])
        yield max(sizes), f"{name} ({STRATA[row['stratum']]}): {', '.join(said)}; {here} against {there}"

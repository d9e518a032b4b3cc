"""What a utility's file says of a home with three lines, said of each pair of its lines and of their sum."""

from __future__ import annotations

import polars as pl

from pipeline.core.line_pairs import PAIRS, SUM, VIEWS, under_pair
from pipeline.features.utility_meter.evidence import EVIDENCE, THIRD_LINE

_LINES = ("1", "2", "3")


def pair_evidence(evidence: pl.DataFrame) -> pl.DataFrame:
    """Return table EVIDENCE of the pairs of the homes with three lines in it, under the names of `pair_home`."""
    three = evidence.filter(pl.col("nm_33").is_not_null())
    views = [three.with_columns(_of_sum() if view == SUM else _of_pair(view)) for view in VIEWS]
    nothing = [pl.lit(None, pl.Float64).alias(name) for name in THIRD_LINE]
    rows = pl.concat(under_pair(rows, view) for view, rows in zip(VIEWS, views, strict=True))
    return rows.with_columns(nothing).select(EVIDENCE.names())


def _of_pair(pair: str) -> list[pl.Expr]:
    first, second = (line.removeprefix("l") for line in PAIRS[pair])
    sources = {"nm_12": f"nm_{min(first, second)}{max(first, second)}"}
    for leg, line in (("1", first), ("2", second)):
        sources |= {
            f"nm_n{leg}": f"nm_n{line}",
            f"nm_{leg}{leg}": f"nm_{line}{line}",
            f"ne_l{leg}": f"ne_l{line}",
        }
        sources |= {f"nm_{leg}{channel}": f"nm_{line}{channel}" for channel in ("p", "b")}
    return [pl.col(source).alias(name) for name, source in sources.items()]


def _of_sum() -> list[pl.Expr]:
    """Return the sums as of a home with one line that carries all: its second has nothing."""

    def total(name: str) -> pl.Expr:
        return pl.sum_horizontal(name.format(line) for line in _LINES)

    squares = pl.sum_horizontal(f"nm_{line}{line}" for line in _LINES)
    products = pl.sum_horizontal("nm_12", "nm_23", "nm_13")
    of_first = {
        "nm_n1": total("nm_n{}"), "nm_11": squares + 2 * products, "nm_1p": total("nm_{}p"),
        "nm_1b": total("nm_{}b"), "ne_l1": total("ne_l{}"),
    }  # fmt: skip
    second = ("nm_n2", "nm_22", "nm_12", "nm_2p", "nm_2b", "ne_l2")
    return [
        *(expr.alias(name) for name, expr in of_first.items()),
        *(pl.lit(0.0).alias(name) for name in second),
    ]

"""How a likelihood is written, for one number and for a column of a table: "86 %", never 0 % or 100 % for neither."""

from __future__ import annotations

from math import isfinite

import polars as pl

NOTHING = "–"
LOW, HIGH = "under 1 %", "over 99 %"


def percent(share: float | None) -> str:
    """Return a share (0 to 1) in whole per cent, "–" for None and what is not finite."""
    if share is None or not isfinite(share):
        return NOTHING
    if 0 < share < 0.01:
        return LOW
    return HIGH if 0.99 < share < 1 else f"{share * 100:.0f} %"


def percent_column(share: pl.Expr) -> pl.Expr:
    """Return `percent` of each value of a column of Float64."""
    whole = (share * 100).round(0, mode="half_to_even").cast(pl.Int64, strict=False)
    return (
        pl.when(~share.is_finite().fill_null(False)).then(pl.lit(NOTHING))
        .when((share > 0) & (share < 0.01)).then(pl.lit(LOW))
        .when((share > 0.99) & (share < 1)).then(pl.lit(HIGH))
        .otherwise(pl.format("{} %", whole))
    )  # fmt: skip


def likelihoods(named: float | None, any_fault: float | None) -> str:
    """Return a named fault's likelihood beside that of any: "86 % this fault, over 99 % any fault"."""
    return f"{percent(named)} this fault, {percent(any_fault)} any fault"


def likelihoods_column(named: pl.Expr, any_fault: pl.Expr) -> pl.Expr:
    """Return `likelihoods` of each row."""
    return pl.format("{} this fault, {} any fault", percent_column(named), percent_column(any_fault))

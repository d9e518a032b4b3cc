"""Legs that were put right as the source of a right install reports them, in one order of columns for every home."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipeline.core.quantiles import Z95
from pipeline.core.services import LINES
from pipeline.correction.layout import EMPTY
from pipeline.correction.unseen import channels_of

_PUT_RIGHT = (
    *(name.format(leg) for leg in LINES for name in ("{}_w", "{}_w_low", "{}_w_high", "{}_var", "factor_{}")),
    "pv_w", "pv_w_low", "pv_w_high", "common", "scatter", "method", "reason",
)  # fmt: skip


def as_reported(
    rows: pl.DataFrame, legs: pl.DataFrame, lines: Sequence[str], *, wrong_legs: Sequence[str]
) -> pl.DataFrame:
    """Return the legs as a right install's source would report them, and the error of their sum (`put_right`).

    Parameters
    ----------
    rows
        Contract rows with `raw_readings.ADDED`.
    legs
        Raw readings of each leg put right, with their errors, method and reason.
    lines, wrong_legs
        The home's lines, and those whose readings were wrong.
    """
    channels = channels_of(lines)
    added = rows["added"] * legs["pv_w"].fill_null(0.0)
    is_empty = pl.col("method") == EMPTY
    # Production that the source added back was another channel's, and what it was can't be told.
    is_lost = rows["pv_w"].is_not_null() & legs["pv_w"].is_null() & (rows["added"] != 0)
    wrong = set(wrong_legs)
    put: dict[str, pl.Expr] = {}
    for leg in channels:
        for end, name in (("", f"{leg}_w"), ("_low", f"{leg}_w_low"), ("_high", f"{leg}_w_high")):
            value = pl.col(f"{leg}{end}") + added
            put[name] = pl.when(is_empty if leg in wrong else is_lost).then(None).otherwise(value)
    for name, sign in (("pv_w_low", -1), ("pv_w_high", 1)):
        error = ((pl.col("pv_share") * pl.col("pv_w")) ** 2 + pl.col("pv_scatter") ** 2).sqrt()
        put[name] = pl.col("pv_w") + sign * Z95 * error
    common, scatter = ([pl.col(f"{leg}_{name}") for leg in lines] for name in ("common", "scatter"))
    # Independent factors of several legs add in squares, with the sign of their sum.
    alike = sum(common[1:], common[0])
    together = pl.when(pl.col("is_shared")).then(alike).otherwise(_root(common) * alike.sign())
    is_single = len(lines) == 1
    absent = [name for name in _PUT_RIGHT if any(leg in name for leg in LINES if leg not in channels)]
    return legs.select(
        **put,
        pv_w=pl.col("pv_w"),
        **{f"{leg}_var": pl.col(f"{leg}_var") for leg in channels},
        common=common[0] if is_single else together,
        scatter=scatter[0] if is_single else _root(scatter),
        method="method",
        reason="reason",
        **{f"factor_{leg}": pl.when(~is_empty).then(f"factor_{leg}") for leg in channels},
        **{name: pl.lit(None, pl.Float64) for name in absent},
    ).select(_PUT_RIGHT)


def _root(deviations: Sequence[pl.Expr]) -> pl.Expr:
    """Return what independent standard deviations come to."""
    squares = [deviation**2 for deviation in deviations]
    return sum(squares[1:], squares[0]).sqrt()

"""How much energy a fault misreports a day: what the formulas of the catalogue share.

Expressions over table site_signal in kWh a day, of |reading - truth| summed over the channels that the
fault touches: never negative, never null, at most MOST_KWH_DAY.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import polars as pl

# A home takes about 29 kWh a day (a United States average; memory), half of it on each leg.
UNSEEN_KWH_DAY = 14.5
# A leg that reads less a day stands for no other one.
LEAST_READ_KWH_DAY = 1.0
# No home's leg carries more: 400 A at 120 V all day is 1152 kWh.
MOST_KWH_DAY = 1200.0
# A gain outside this is no part of a current that could be scaled up.
GAIN_SPAN = (0.13, 0.9)
_OTHER = {"l1": "l2", "l2": "l1"}


def number(name: str) -> pl.Expr:
    """Return column `name` as a number, null where it is NaN or infinite."""
    value = pl.col(name).cast(pl.Float64)
    return pl.when(value.is_finite()).then(value)


def read_kwh(leg: str) -> pl.Expr:
    """Return the absolute energy that this leg, or both legs, read [kWh/day]; 0 where unknown."""
    if leg == "both":
        return read_kwh("l1") + read_kwh("l2")
    return number(f"{leg}_kwh_day").fill_null(0.0).clip(0.0, MOST_KWH_DAY)


def other_kwh(leg: str) -> pl.Expr:
    """Return what the other leg reads, to stand for a leg that is not seen [kWh/day].

    Where the other leg reads next to nothing, or there is none, an average home's leg stands instead.
    """
    usual = pl.when(pl.col("service") == "single").then(2 * UNSEEN_KWH_DAY).otherwise(UNSEEN_KWH_DAY)
    other = read_kwh(_OTHER[leg])
    return pl.when(other >= LEAST_READ_KWH_DAY).then(other).otherwise(usual)


def unseen_kwh(leg: str) -> pl.Expr:
    """Return the energy of a leg whose own reading says nothing, an average home's for "both" [kWh/day]."""
    return pl.lit(2 * UNSEEN_KWH_DAY) if leg == "both" else other_kwh(leg)


def part_seen(leg: str, default: float) -> pl.Expr:
    """Return the share of the leg's current that is seen (its gain, 0.13 to 0.9).

    From the answer to production, else the utility meter, else the steps of 240 V loads against the other leg
    (`pair_log_ratio` = log of L2 over L1), else `default`.
    """
    sign = -1.0 if leg == "l1" else 1.0
    is_metered = (number("meter_r2") > 0.5) & (number("meter_gain_se") < 0.1)
    is_paired = (number("pair_n") >= 15) & (number("pair_log_se") < 0.12)
    return pl.coalesce(
        where_usable(number(f"gain_{leg}"), number(f"gain_{leg}_se") <= 0.15),
        where_usable(number(f"meter_gain_{leg}"), is_metered),
        where_usable((number("pair_log_ratio") * sign).exp(), is_paired),
        pl.lit(default),
    )


def where_usable(value: pl.Expr, condition: pl.Expr, span: tuple[float, float] = GAIN_SPAN) -> pl.Expr:
    """Return `value` where `condition` holds and it lies in `span`, else null."""
    return pl.when(condition & value.is_between(*span)).then(value)


def each_leg(error_kwh: Callable[[str], pl.Expr], *, has_both: bool = True) -> Mapping[str, pl.Expr]:
    """Return `error_kwh` of l1 and of l2, bounded, and their sum for both."""
    legs = {leg: bounded(error_kwh(leg)) for leg in ("l1", "l2")}
    if not has_both:
        return legs
    # A home with one line has no l2 that could be wrong.
    two = pl.when(pl.col("service") == "single").then(0.0).otherwise(legs["l2"])
    return {**legs, "both": bounded(legs["l1"] + two)}


def bounded(value: pl.Expr) -> pl.Expr:
    """Return `value` as a finite number from 0 to MOST_KWH_DAY; 0 where it can't be told."""
    energy = value.cast(pl.Float64)
    return pl.when(energy.is_not_nan()).then(energy).fill_null(0.0).clip(0.0, MOST_KWH_DAY)

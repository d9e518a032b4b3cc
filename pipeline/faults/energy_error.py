"""How much energy a fault misreports a day: what the formulas of the catalogue share.

Expressions over table site_signal in kWh a day, of |reading - truth| summed over the channels that the
fault touches: never negative, never null, at most MOST_KWH_DAY. Those of homes with one or two lines ask for no
column of a third.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import polars as pl

from pipeline.core.line_columns import PAIRS
from pipeline.core.services import LINES, SERVICES, lines_of, service_of

# A home takes about 29 kWh a day (a United States average; memory), an equal part on each line.
HOME_KWH_DAY = 29.0
# A leg that reads less a day stands for no other one.
LEAST_READ_KWH_DAY = 1.0
# No home's leg carries more: 400 A at 120 V all day is 1152 kWh.
MOST_KWH_DAY = 1200.0
# A gain outside this is no part of a current that could be scaled up.
GAIN_SPAN = (0.13, 0.9)


def number(name: str) -> pl.Expr:
    """Return column `name` as a number, null where it is NaN or infinite."""
    value = pl.col(name).cast(pl.Float64)
    return pl.when(value.is_finite()).then(value)


def line_counts(signals: pl.DataFrame) -> pl.Series:
    """Return how many lines each home has, shape (n,): by the night's own count, else by its service."""
    if "line_count" in signals.columns:
        return signals["line_count"].cast(pl.Int64)
    count = {name: service.line_count for name, service in SERVICES.items()}
    service = pl.col("service").cast(pl.String)
    usual = service_of(None).line_count
    return signals.select(
        line_count=service.replace_strict(count, default=usual, return_dtype=pl.Int64).fill_null(usual)
    )["line_count"]


def read_kwh(legs: Iterable[str]) -> pl.Expr:
    """Return the absolute energy that these lines read [kWh/day]; 0 where unknown."""
    read = [number(f"{leg}_kwh_day").fill_null(0.0).clip(0.0, MOST_KWH_DAY) for leg in legs]
    return _sum(read)


def other_kwh(leg: str, line_count: int, besides: Iterable[str] = ()) -> pl.Expr:
    """Return what the other lines read on average, to stand for one that is not seen [kWh/day].

    Lines that read next to nothing don't count; where none is left an average home's line stands instead.

    Parameters
    ----------
    leg, line_count
        The line that is not seen, of a home with so many.
    besides
        Others that are not seen.
    """
    usual = pl.lit(HOME_KWH_DAY / line_count)
    unseen = {leg, *besides}
    others = [read_kwh([other]) for other in LINES[:line_count] if other not in unseen]
    if not others:
        return usual
    known = [pl.when(other >= LEAST_READ_KWH_DAY).then(other) for other in others]
    return pl.mean_horizontal(known).fill_null(usual)


def unseen_kwh(leg: str, line_count: int) -> pl.Expr:
    """Return the energy of lines whose own readings say nothing, an average home's for all of several [kWh/day]."""
    lines = lines_of(leg, line_count)
    if len(lines) == line_count:
        return pl.lit(HOME_KWH_DAY)
    return _sum([other_kwh(line, line_count, lines) for line in lines])


def part_seen(leg: str, line_count: int, *, default: float) -> pl.Expr:
    """Return the share of the leg's current that is seen (its gain, 0.13 to 0.9).

    From the answer to production, else the utility meter, else the steps of loads between two lines against the other
    line (`pair_log_ratio` = log of the second over the first), else `default`.

    Parameters
    ----------
    leg, line_count
        A line of a home with so many.
    default
        What it is where nothing tells.
    """
    is_metered = (number("meter_r2") > 0.5) & (number("meter_gain_se") < 0.1)
    pairs = [(ending, *pair) for ending, pair in PAIRS.items()][: 1 if line_count < 3 else 3]
    return pl.coalesce(
        where_usable(number(f"gain_{leg}"), number(f"gain_{leg}_se") <= 0.15),
        where_usable(number(f"meter_gain_{leg}"), is_metered),
        *(
            _by_pair(ending, -1.0 if leg == first else 1.0)
            for ending, first, second in pairs
            if leg in (first, second)
        ),
        pl.lit(default),
    )


def _by_pair(ending: str, sign: float) -> pl.Expr:
    """Return a line's part by the steps of loads between it and another."""
    is_paired = (number(f"pair_n{ending}") >= 15) & (number(f"pair_log_se{ending}") < 0.12)
    return where_usable((number(f"pair_log_ratio{ending}") * sign).exp(), is_paired)


def where_usable(value: pl.Expr, condition: pl.Expr, span: tuple[float, float] = GAIN_SPAN) -> pl.Expr:
    """Return `value` where `condition` holds and it lies in `span`, else null."""
    return pl.when(condition & value.is_between(*span)).then(value)


def each_line(error_kwh: Callable[[str, int], pl.Expr]) -> Callable[[str, int], pl.Expr]:
    """Return the sum over a leg's lines of `error_kwh`, which takes a line and how many the home has."""

    def wrong_kwh_day(leg: str, line_count: int) -> pl.Expr:
        return bounded(_sum([bounded(error_kwh(line, line_count)) for line in lines_of(leg, line_count)]))

    return wrong_kwh_day


def whole_home(error_kwh: Callable[[int], pl.Expr]) -> Callable[[str, int], pl.Expr]:
    """Return `error_kwh`, which takes how many lines a home has, for a fault of all of them."""
    return lambda leg, line_count: bounded(error_kwh(line_count))


def bounded(value: pl.Expr) -> pl.Expr:
    """Return `value` as a finite number from 0 to MOST_KWH_DAY; 0 where it can't be told."""
    energy = value.cast(pl.Float64)
    return pl.when(energy.is_not_nan()).then(energy).fill_null(0.0).clip(0.0, MOST_KWH_DAY)


def _sum(values: list[pl.Expr]) -> pl.Expr:
    """Return the values one after the other added."""
    total = values[0] if values else pl.lit(0.0)
    for value in values[1:]:
        total = total + value
    return total

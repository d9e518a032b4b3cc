"""How much of a day's rows is usually there so many hours after its end, home by home: learned from the days before."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, datetime, timedelta

import polars as pl

from pipeline.core.setting_sections import AlarmSettings
from pipeline.nightly.arrival_memory import Look, Memory
from pipeline.nightly.arrival_times import HOUR, end_of

# Homes and shares of one earlier day: `share` [0, 1] of what it has now was there then, `occasion` when that came.
SHARES = pl.Schema({"site_id": pl.String, "share": pl.Float64, "occasion": pl.String})
LEAST_SHARE = 0.02  # of a day's rows: a home with less is not there yet


@dataclass(frozen=True)
class PastDays:
    """The days before, to compare with.

    `covered` returns `site_id`, `covered_min` [min] of a day as it is now; `covered_at` as it was at a time, by the
    times of its files (`times`, of days whose files' times say something); `memory` is what nights saw.
    """

    days: tuple[date, ...]
    covered: Callable[[date], pl.DataFrame]
    covered_at: Callable[[date, datetime], pl.DataFrame]
    times: Mapping[date, tuple[datetime, ...]]
    memory: Memory


def due_shares(
    past: PastDays, pulse: pl.DataFrame, day: date, lag_h: float, *, settings: AlarmSettings
) -> pl.DataFrame:
    """Return `site_id`, `due_share` [0, 1]: the share of a home's day that is usually there by `lag_h` after its end.

    What a night saw of an earlier day counts, else the times of its files. Only days that have come whole since count:
    what never came is an outage, and never becomes usual. A home's day is usually late by so much only if that
    happened twice (or always, where less is known); days that came together, after an outage, are one time.

    Parameters
    ----------
    past
        The days before, up to [alarm] arrival_days of them count.
    pulse
        Table site_pulse of `day`: `site_id`, `covered_before_min` [min].
    day, lag_h
        The day that is judged, and the hours since its end.
    settings
        Section [alarm].
    """
    first = day - timedelta(days=settings.arrival_days)
    found = [
        shares
        for other in past.days
        if first <= other < day and (shares := _shares(past, other, lag_h, settings)) is not None
    ]
    shares = pl.concat(found) if found else pl.DataFrame(schema={**SHARES, "covered_min": pl.Float64})
    usual = pulse.select("site_id", "covered_before_min")
    whole = pl.col("covered_min") >= settings.cover_share * pl.col("covered_before_min")
    times = (
        shares.join(usual, on="site_id")
        .filter(whole)
        .group_by("site_id", "occasion")
        .agg(pl.col("share").min())
    )
    second = pl.col("share").sort().head(2).last()
    return times.group_by("site_id").agg(second.alias("due_share"))


def as_due(pulse: pl.DataFrame, due: pl.DataFrame) -> pl.DataFrame:
    """Return site_pulse held against what is usually there by this hour: homes that aren't yet don't count."""
    held = pulse.join(due, on="site_id", how="left", maintain_order="left")
    share = pl.col("due_share").fill_null(1.0)
    return held.with_columns(
        days_before=pl.when(share >= LEAST_SHARE).then("days_before").otherwise(0),
        covered_before_min=share * pl.col("covered_before_min"),
    ).drop("due_share")


def _shares(past: PastDays, day: date, lag_h: float, settings: AlarmSettings) -> pl.DataFrame | None:
    """Return SHARES and `covered_min` of an earlier day at the same hour; None: nobody knows how it was then."""
    look = past.memory.look_like(day, lag_h)
    lacked: pl.DataFrame | None
    if look is not None:
        came_on, lacked = _came_on(past.memory, look), past.memory.lacked(look)
    else:
        arrived, at = past.times.get(day, ()), end_of(day) + lag_h * HOUR
        if not arrived or arrived[0] > at:  # a night at that hour would have judged the day before
            return None
        came_on = str(arrived[-1].date())
        lacked = None if arrived[-1] <= at else past.covered_at(day, at)
    now = past.covered(day).filter(pl.col("covered_min") > 0)
    if lacked is None:
        then = now.with_columns(share=pl.lit(1.0))
    else:
        absent = 1.0 if look is not None else 0.0  # a look noted who lacked rows; files say who had some
        was = lacked.rename({"covered_min": "was_min"})
        then = now.join(was, on="site_id", how="left", maintain_order="left").with_columns(
            share=(pl.col("was_min") / pl.col("covered_min")).clip(upper_bound=1.0).fill_null(absent)
        )
    # What was there in time is an occasion of its own each day.
    is_late = pl.col("share") < settings.cover_share
    occasion = pl.when(is_late).then(pl.lit(f"came {came_on}")).otherwise(pl.lit(str(day)))
    return then.select("site_id", "share", occasion.alias("occasion"), "covered_min")


def _came_on(memory: Memory, look: Look) -> str:
    """Return when a day's late rows came; unknown of itself, that of the next day whose is known."""
    following = sorted(
        (o for o in memory.looks if o.day > look.day and abs(o.lag_h - look.lag_h) <= 24), key=lambda o: o.day
    )
    came = (memory.came_on(other) for other in (look, *following))
    return str(next((day for day in came if day is not None), "since"))

"""A home's readings and its utility meter on one grid: hours."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Bool = NDArray[np.bool_]
HOUR_MIN = 60


@dataclass(frozen=True)
class MeterSeries:
    """A meter's net energy [Wh], import less export, a cell each `minutes` from `first_min` on [min since 1970, UTC].

    NaN where there is none. `is_import_only`: export isn't metered, `net_wh` is right where nothing is exported.
    """

    first_min: int
    minutes: int
    net_wh: Float
    step_wh: float
    is_import_only: bool


@dataclass(frozen=True)
class HomeHours:
    """A home's hours of readings, in order: `hour` since 1970 (UTC), (hours,), and their means [W], (hours, 4 or 5).

    The columns are leg 1, leg 2, production and battery, 0 where the home has none, and line 3 where it has one.
    `is_whole` tells which hours every channel covers in full.
    """

    hour: Int
    means: Float
    is_whole: Bool


def meter_series(rows: pl.DataFrame) -> MeterSeries | None:
    """Return a home's rows of table UTILITY as a series; None where no import is metered or hours don't hold it.

    Rows of another length than most have are left out.
    """
    rows = rows.filter(pl.col("import_wh").is_not_null())
    if rows.is_empty():
        return None
    lengths = rows["minutes"].value_counts().sort("count", "minutes", descending=[True, False])
    minutes = int(lengths["minutes"][0])
    rows = rows.filter(pl.col("minutes") == minutes)
    start = rows["interval_start"].dt.epoch("s").to_numpy() // 60
    first = int(start[0])
    if HOUR_MIN % minutes or first % minutes:
        return None
    is_import_only = rows["export_wh"].null_count() > rows.height // 2
    net = rows["import_wh"].to_numpy() - (
        np.zeros(rows.height) if is_import_only else rows["export_wh"].to_numpy()
    )
    cells = np.full(int(start[-1] - first) // minutes + 1, np.nan)
    cells[(start - first) // minutes] = net
    step = rows["step_wh"].max()
    return MeterSeries(first, minutes, cells, float(step) if isinstance(step, float) else 0.0, is_import_only)


def home_hours(rows: pl.DataFrame) -> HomeHours:
    """Return a home's rows of table site_hour as a series.

    A logger that is silent about production at night leaves hours of the day without any in all of them: those
    produce nothing. Any other hour without production, at a home that has some, isn't known.
    """
    hour = rows["hour_start"].dt.epoch("s").to_numpy() // 3600
    channels = ["l1_w", "l2_w", "pv_w", "battery_w"]
    if "l3_w" in rows.columns and rows["l3_w"].is_not_null().any():
        channels.append("l3_w")
    means = rows.select(pl.col(channels).cast(pl.Float64)).to_numpy(writable=True)
    has = ~np.isnan(means).all(axis=0)
    clock_hour = hour % 24
    is_produced = np.zeros(24, bool)
    is_produced[clock_hour[~np.isnan(means[:, 2])]] = True
    means[np.isnan(means[:, 2]) & ~is_produced[clock_hour], 2] = 0.0
    means[:, 3] = np.nan_to_num(means[:, 3])
    means[:, ~has] = 0.0
    is_whole = (rows["minutes"].to_numpy() >= HOUR_MIN) & ~np.isnan(means).any(axis=1) & has[0]
    return HomeHours(hour, means, is_whole)


def limit_to_dark(hours: HomeHours, quiet_w: float, idle_w: float) -> HomeHours:
    """Return the hours with those only in which nothing can be exported taken as known.

    Parameters
    ----------
    hours
        A home's hours.
    quiet_w, idle_w
        Production up to this is none, and a battery discharging less than this is idle [W].
    """
    is_dark = (np.abs(hours.means[:, 2]) <= quiet_w) & (hours.means[:, 3] <= idle_w)
    means = hours.means.copy()
    means[:, 2] = 0.0  # what a logger counts in the dark says nothing of the meter
    return HomeHours(hours.hour, means, hours.is_whole & is_dark)


def net_power(meter: MeterSeries, hours: HomeHours, shifts: Int) -> tuple[Float, Bool]:
    """Return net power of each hour [W] and whether meter and readings know it, under shifts of the clock.

    Both are (shifts, hours).

    Parameters
    ----------
    meter, hours
        The meter and the home's hours.
    shifts
        By how much the meter's clock is taken to be ahead of the readings', multiples of its interval [min].
    """
    per_hour = HOUR_MIN // meter.minutes
    total = np.concatenate([[0.0], np.cumsum(np.nan_to_num(meter.net_wh))])
    known = np.concatenate([[0], np.cumsum(~np.isnan(meter.net_wh))])
    first = (hours.hour * HOUR_MIN + shifts[:, None] - meter.first_min) // meter.minutes
    is_inside = (first >= 0) & (first + per_hour <= len(meter.net_wh))
    low, high = np.where(is_inside, first, 0), np.where(is_inside, first + per_hour, 0)
    is_known = is_inside & (known[high] - known[low] == per_hour) & hours.is_whole
    return np.where(is_known, total[high] - total[low], 0.0), is_known

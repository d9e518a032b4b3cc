"""One home's hours and days as the charts and captions need them: local time, daylight, medians."""

from __future__ import annotations

from dataclasses import dataclass
from zoneinfo import ZoneInfo

import polars as pl
import polars.selectors as cs

_FALLBACK_ZONE = "UTC"


@dataclass(frozen=True)
class HomeSeries:
    """A home's readings for its pictures.

    `hours`: day (local date), hour (local, 0..23), l1_w, l2_w, l3_w, pv_w [mean W], one row a local hour, sorted; l3_w
    is null where the home has no third line.
    `days`: the home's `site_daily` rows, sorted by day. `zone` is the time zone the hours are in;
    `has_own_zone` is false where the register gave none that is known and UTC stands in.
    """

    hours: pl.DataFrame
    days: pl.DataFrame
    zone: str
    has_own_zone: bool

    def has(self, column: str) -> bool:
        """Return whether an hourly column holds any reading."""
        return self.hours.get_column(column).drop_nulls().len() > 0


def home_series(site_hour: pl.DataFrame, site_daily: pl.DataFrame, timezone: str | None) -> HomeSeries:
    """Return the pictures' data from one home's rows of `site_hour` (UTC) and `site_daily`.

    The local hour that a clock change repeats is the mean of its two passes; the one it skips is absent.
    """
    has_own_zone = _is_known_zone(timezone)
    zone = str(timezone) if has_own_zone else _FALLBACK_ZONE
    local = pl.col("hour_start").dt.replace_time_zone("UTC").dt.convert_time_zone(zone)
    hours = (
        site_hour.select(
            local.dt.date().alias("day"),
            local.dt.hour().cast(pl.Int64).alias("hour"),
            *(
                pl.col(name).cast(pl.Float64).fill_nan(None)
                if name in site_hour.columns
                else pl.lit(None, pl.Float64).alias(name)
                for name in ("l1_w", "l2_w", "l3_w", "pv_w")
            ),
        )
        .group_by("day", "hour")
        .mean()
        .sort("day", "hour")
    )
    return HomeSeries(
        hours, site_daily.sort("day").with_columns(cs.float().fill_nan(None)), zone, has_own_zone
    )


def _is_known_zone(timezone: str | None) -> bool:
    try:
        return bool(timezone) and bool(ZoneInfo(timezone or ""))
    except (KeyError, ValueError, OSError):  # unknown, malformed, or naming a folder
        return False


def daylight(series: HomeSeries, leg: str, share_of_peak: float) -> pl.DataFrame:
    """Return pv_w and leg_w [W] of the hours whose PV is above `share_of_peak` of its highest hour."""
    both = series.hours.select("day", "hour", "pv_w", leg_w=pl.col(f"{leg}_w")).drop_nulls()
    return both.filter((pl.col("pv_w") > pl.col("pv_w").max() * share_of_peak) & (pl.col("pv_w") > 0))

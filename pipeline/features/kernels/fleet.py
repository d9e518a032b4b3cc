"""What the statistics of homes need beside their rows: the register by number, the sun, the settings' thresholds."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

import duckdb
import numpy as np
import polars as pl

from pipeline.core import sql_runner
from pipeline.core.setting_sections import DaySettings
from pipeline.features.day_statistics import day_params
from pipeline.features.kernels.compiled import Float, Int
from pipeline.features.kernels.rows import Sky, Sun, Thresholds, thresholds_of


class Suns:
    """Table sun_time by minute of the day for an interval length, worked out once a length."""

    def __init__(self, con: duckdb.DuckDBPyConnection, day: date) -> None:
        self._con, self._day = con, day
        self._known: dict[float, tuple[Float, ...]] = {}

    def of(self, lengths_min: Float) -> Sun:
        """Return the sun of these lengths, a line each."""
        each = [self._of(float(length)) for length in lengths_min]
        return Sun(*(np.stack(part) for part in zip(*each, strict=True)))

    def _of(self, length_min: float) -> tuple[Float, ...]:
        if length_min not in self._known:
            first = datetime(self._day.year, self._day.month, self._day.day)
            starts = pl.datetime_range(first, first.replace(hour=23, minute=59), "1m", eager=True)
            times = pl.DataFrame({"interval_start": starts}).with_columns(length_min=pl.lit(length_min))
            self._con.register("interval_time", times.to_arrow())
            sun = sql_runner.query(self._con, "sun_time", {}).sort("interval_start")
            self._con.unregister("interval_time")
            angle = sun["greenwich_hour_angle_rad"].to_numpy()
            self._known[length_min] = (
                sun["sin_declination"].to_numpy(), sun["cos_declination"].to_numpy(), np.cos(angle), np.sin(angle)
            )  # fmt: skip
        return self._known[length_min]


@dataclass(frozen=True)
class Fleet:
    """A shard's homes by their place in the register: `site_key` of each, ascending, and what they are called.

    `third_line_w` is the size [W] that a reading of a third line must exceed for the home to have one.
    """

    site_key: Int
    ids: pl.Series
    register_key: pl.Series
    sky: Sky
    third_line_w: Float
    thresholds: Thresholds
    default_length_min: float
    day: date
    suns: Suns


def fleet_of(con: duckdb.DuckDBPyConnection, sky: pl.DataFrame, day: date, *, settings: DaySettings) -> Fleet:
    """Return what a day of these homes is worked out with; `sky` is `day_statistics.site_sky`.

    Parameters
    ----------
    con
        Works out where the sun is.
    sky
        `day_statistics.site_sky`, sorted by site_key.
    day
        The UTC day.
    settings
        Section [day].
    """

    def numbers(name: str) -> Float:
        # A copy: an array of someone else's can't be written, and is another type, compiled for anew.
        return np.array(sky[name].cast(pl.Float64).fill_null(float("nan")))

    longitude = numbers("lon_rad")
    params = day_params(settings, day)
    return Fleet(
        sky["site_key"].cast(pl.Int64).to_numpy(),
        sky["site_id"],
        sky["register_key"],
        Sky(
            numbers("sin_lat"), numbers("cos_lat"), np.sin(longitude), np.cos(longitude),
            np.array(sky["is_load_side"]), numbers("pv_quiet_w"), numbers("ramp_w"),
        ),
        numbers("third_line_w"),
        thresholds_of(params), float(params["default_length_min"]), day, Suns(con, day),
    )  # fmt: skip

"""Used rows of a day -> tables site_day and site_hour."""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import closing
from datetime import date

import duckdb
import numpy as np
import polars as pl

from pipeline.core.setting_sections import DaySettings
from pipeline.features.kernels.compiled import Float, Int
from pipeline.features.kernels.fleet import Fleet, fleet_of
from pipeline.features.kernels.frames import Found, day_frame, hour_frame
from pipeline.features.kernels.homes import compute_homes, empty_results, empty_scratch
from pipeline.features.kernels.rows import Channels
from pipeline.ingest.used_rows import UsedRows

_LONGEST_MIN = 60.0


def day_tables(
    con: duckdb.DuckDBPyConnection,
    blocks: Iterable[UsedRows],
    sky: pl.DataFrame,
    *,
    day: date,
    settings: DaySettings,
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return (site_day, site_hour), a row a home or a home and hour, sorted.

    Parameters
    ----------
    con
        The connection whose result `blocks` may be; the sun is asked for on another one beside it.
    blocks
        The day's rows, whole homes at a time; each home in one block.
    sky
        `day_statistics.site_sky` of at least these homes, sorted by site_key.
    day
        The UTC day.
    settings
        Section [day].
    """
    with closing(con.cursor()) as beside:  # the blocks may still be a result of `con`, which is busy then
        fleet = fleet_of(beside, sky, day, settings=settings)
        results = [_work_out(rows, fleet) for rows in blocks]
    return day_frame(results, fleet).sort("site_id"), hour_frame(results, fleet).sort("site_id", "hour_start")


def _work_out(rows: UsedRows, fleet: Fleet) -> Found:
    start = np.flatnonzero(np.diff(rows.home, prepend=-1))
    count = np.diff(start, append=len(rows.home))
    home = np.searchsorted(fleet.site_key, rows.home[start])
    lengths, line = np.unique(
        _lengths(rows.minute, start, count, fleet.default_length_min), return_inverse=True
    )
    results = empty_results(len(start))
    channels = Channels(*(rows.channels[name] for name in Channels._fields))
    compute_homes(
        start, count, home, channels, rows.minute, lengths[line], line,
        fleet.sky, fleet.suns.of(lengths), fleet.thresholds, empty_scratch(int(count.max())), *results,
    )  # fmt: skip
    return Found(home, *results)


def _lengths(minute: Int, start: Int, count: Int, default_min: float) -> Float:
    """Return how long each home's intervals are [min]: its shortest gap, an hour at the most."""
    gap = np.diff(minute, prepend=minute[0]).astype(float)
    gap[start] = np.inf
    least: Float = np.minimum.reduceat(gap, start)
    return np.minimum(np.where(count > 1, least, default_min), _LONGEST_MIN)

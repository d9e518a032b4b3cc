"""Used rows of a day -> tables site_day and site_hour, and line_day of homes with three lines."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from contextlib import closing
from datetime import date
from typing import NamedTuple

import duckdb
import numpy as np
import polars as pl

from pipeline.core.setting_sections import DaySettings
from pipeline.features.kernels.compiled import Float, Int
from pipeline.features.kernels.fleet import Fleet, fleet_of
from pipeline.features.kernels.frames import Found, day_frame, hour_frame, line_frame
from pipeline.features.kernels.homes import compute_homes, empty_results, empty_scratch
from pipeline.features.kernels.lines import VIEWS, has_third_line, of_homes, view_channels, volt_units
from pipeline.features.kernels.rows import Channels
from pipeline.ingest.used_rows import UsedRows

_LONGEST_MIN = 60.0


class DayTables(NamedTuple):
    """A day's tables: a row a home; a row a home and hour; three rows a home with three lines, others none. Sorted.

    line_day has site_day's columns and `pair`, one of `lines.VIEWS`: the home's pairs of lines "23" and "31", each read
    as a two-leg home, and "sum", all three lines as one.
    """

    site_day: pl.DataFrame
    site_hour: pl.DataFrame
    line_day: pl.DataFrame


def day_tables(
    con: duckdb.DuckDBPyConnection,
    blocks: Iterable[UsedRows],
    sky: pl.DataFrame,
    *,
    day: date,
    settings: DaySettings,
) -> DayTables:
    """Return the tables of a day.

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
        results = [_work_out_block(rows, fleet) for rows in blocks]
    site_day = day_frame(results, fleet).sort("site_id")
    site_hour = hour_frame(results, fleet).sort("site_id", "hour_start")
    return DayTables(site_day, site_hour, line_frame(results, site_day, fleet).sort("site_id", "pair"))


def _work_out_block(rows: UsedRows, fleet: Fleet) -> Found:
    start, count = _cut(rows)
    home = np.searchsorted(fleet.site_key, rows.home[start])
    is_third = has_third_line(rows, start, fleet.third_line_w[home])
    unit = volt_units(rows, start, is_third)
    measures = {name: rows.channels[name] for name in Channels._fields}
    found = _work_out(rows, measures, unit, fleet)
    if not is_third.any():
        return found
    rows, unit = of_homes(rows, count, is_third), unit[is_third]
    start, count = _cut(rows)
    return found.with_lines(
        is_third,
        {view: _work_out(rows, view_channels(rows, start, count, view=view), unit, fleet) for view in VIEWS},
    )


def _cut(rows: UsedRows) -> tuple[Int, Int]:
    """Return the first row of each home and how many it has."""
    start = np.flatnonzero(np.diff(rows.home, prepend=-1))
    return start, np.diff(start, append=len(rows.home))


def _work_out(rows: UsedRows, channels: Mapping[str, Float], unit: Float, fleet: Fleet) -> Found:
    start, count = _cut(rows)
    home = np.searchsorted(fleet.site_key, rows.home[start])
    lengths, line = np.unique(
        _lengths(rows.minute, start, count, fleet.default_length_min), return_inverse=True
    )
    results = empty_results(len(start))
    compute_homes(
        start, count, home, Channels(**channels), rows.minute, lengths[line], line, unit,
        fleet.sky, fleet.suns.of(lengths), fleet.thresholds, empty_scratch(int(count.max())), *results,
    )  # fmt: skip
    return Found(home, *results)


def _lengths(minute: Int, start: Int, count: Int, default_min: float) -> Float:
    """Return how long each home's intervals are [min]: its shortest gap, an hour at the most."""
    gap = np.diff(minute, prepend=minute[0]).astype(float)
    gap[start] = np.inf
    least: Float = np.minimum.reduceat(gap, start)
    return np.minimum(np.where(count > 1, least, default_min), _LONGEST_MIN)

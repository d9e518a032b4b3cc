"""The window of a night: which days speak for each home, and what the features then are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import duckdb
import polars as pl

from pipeline.core.line_pairs import LINE_COLUMNS
from pipeline.core.settings import Settings
from pipeline.core.sharding import WHOLE, Shard
from pipeline.features.aggregates import HomeDays, daily_numbers
from pipeline.features.change_detection import find_changes
from pipeline.features.line_daily import with_third_line
from pipeline.features.line_signals import line_days
from pipeline.features.utility_meter.window import ShardMeters, shard_evidence
from pipeline.features.window_features import site_signals


@dataclass(frozen=True)
class WindowView:
    """A window looked at: `signals` (table site_signal, with `from_on` and `changed_on`), `daily` (site_daily)."""

    first: date
    last: date
    signals: pl.DataFrame
    daily: pl.DataFrame


def look(
    con: duckdb.DuckDBPyConnection,
    day_files: Sequence[Path],
    sites: pl.DataFrame,
    *,
    visits: pl.DataFrame,
    as_of: date,
    window_days: int,
    settings: Settings,
    shard: Shard = WHOLE,
    meters: ShardMeters | None = None,
    running: date | None = None,
    line_files: Sequence[Path] = (),
) -> WindowView:
    """Return the features of every home of `shard` with rows in the `window_days` UTC days that end with `as_of`.

    A home that changed within the window speaks from the change on, a home that was visited from the day after
    its last visit on.

    Parameters
    ----------
    con
        The DuckDB to read with.
    day_files
        Files of site_day, a day each.
    sites
        The register of sites.
    visits
        The register of visits.
    as_of
        Last day of the window.
    window_days
        Length of the window [days].
    settings
        All settings.
    shard
        The homes to look at.
    meters
        What the utility's files say of these homes' meters; None: there are none.
    running
        The day after `as_of`, where it isn't over and files of it are given: its rows speak for their homes, but a part
        of a day is no day to find a change by.
    line_files
        Files of line_day of the same days: the pairs of lines of homes that have three.
    """
    first = as_of - timedelta(days=window_days - 1)
    days, lines = HomeDays.of(day_files, shard), line_days(line_files, shard)
    daily = daily_numbers(days, settings)
    if lines is not None:
        daily = with_third_line(daily, daily_numbers(lines, settings))
    if running is not None:
        daily = daily.filter(pl.col("day") <= as_of)
    changes = find_changes(daily, first, as_of, settings=settings)
    visited = (
        visits.filter(pl.col("visited_on").is_between(first, as_of - timedelta(days=1)))
        .group_by("site_id")
        .agg(pl.col("visited_on").max())
    )
    span = (
        pl.DataFrame({"site_id": days.homes})
        .join(changes, on="site_id", how="left")
        .join(visited, on="site_id", how="left")
        .select(
            "site_id",
            pl.max_horizontal(
                pl.lit(first), pl.col("changed_on"), pl.col("visited_on") + pl.duration(days=1)
            ).alias("from_on"),
            pl.lit(as_of).alias("to_on"),
            "changed_on", "change_z", "change_of", "change_told",
        )
        .sort("site_id")
    )  # fmt: skip
    spans = span.select("site_id", "from_on", "to_on")
    evidence = None if meters is None else shard_evidence(meters, spans, first, settings=settings)
    if running is not None:
        spans = spans.with_columns(pl.lit(running).alias("to_on"))
    signals = site_signals(
        con, days, spans, sites=sites, settings=settings, meters=evidence, running=running, lines=lines
    )
    changed = span.select("site_id", "from_on", "changed_on", "change_z", "change_of", "change_told")
    signals = signals.join(changed, on="site_id", maintain_order="left")
    # Last, so that the columns stand in one order whether the first shard has homes with three lines or the second.
    return WindowView(first, as_of, signals.select(~LINE_COLUMNS, LINE_COLUMNS), daily)

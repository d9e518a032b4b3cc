"""The window of a night: which days speak for each home, and what the features then are."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from queue import SimpleQueue

import duckdb
import polars as pl

from pipeline import warehouse
from pipeline.features import site_signals
from pipeline.onset import daily_numbers, find_changes
from pipeline.settings import Settings


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
    visits: pl.DataFrame,
    as_of: date,
    window_days: int,
    settings: Settings,
) -> WindowView:
    """Return the features of every home with rows in the `window_days` UTC days that end with `as_of`.

    A home that changed within the window speaks from the change on, a home that was visited from the day after
    its last visit on. [engine] window_homes are looked at together; how many, and by how many workers, changes nothing.
    """
    first = as_of - timedelta(days=window_days - 1)
    size = settings.engine.window_homes
    starts = [None, *sites["site_id"].sort().gather_every(size)[1:].to_list()]
    idle: SimpleQueue[duckdb.DuckDBPyConnection] = SimpleQueue()
    workers = min(settings.engine.workers, len(starts))
    connections = [con] if workers == 1 else [warehouse.beside(con, settings.engine) for _ in range(workers)]
    for own in connections:
        idle.put(own)

    def part(home: str | None, before: str | None) -> WindowView:
        own = idle.get()
        try:
            warehouse.set_variables(own, first_home=home, before_home=before)
            return _look(own, day_files, sites, visits, first, as_of, settings)
        finally:
            warehouse.set_variables(own, first_home=None, before_home=None)
            idle.put(own)

    pool = ThreadPoolExecutor(workers)
    try:
        parts = list(pool.map(part, starts, [*starts[1:], None]))
    finally:
        pool.shutdown(cancel_futures=True)
        for own in connections:
            if own is not con:
                own.close()
    return WindowView(
        first, as_of, pl.concat(view.signals for view in parts), pl.concat(view.daily for view in parts)
    )


def _look(
    con: duckdb.DuckDBPyConnection,
    day_files: Sequence[Path],
    sites: pl.DataFrame,
    visits: pl.DataFrame,
    first: date,
    as_of: date,
    settings: Settings,
) -> WindowView:
    """Look at the homes between the connection's variables first_home and before_home."""
    daily = daily_numbers(con, day_files, settings)
    changes = find_changes(daily, first, as_of, settings)
    visited = (
        visits.filter(pl.col("visited_on").is_between(first, as_of - timedelta(days=1)))
        .group_by("site_id")
        .agg(pl.col("visited_on").max())
    )
    span = (
        daily.select("site_id").unique()
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
    signals = site_signals(con, day_files, span.select("site_id", "from_on", "to_on"), sites, settings)
    told = span.select("site_id", "from_on", "changed_on", "change_z", "change_of", "change_told")
    return WindowView(first, as_of, signals.join(told, on="site_id", maintain_order="left"), daily)

"""When the files of recent days arrived, as far as their times tell, and a day as it was then."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import duckdb
import polars as pl

from pipeline.core.settings import Settings
from pipeline.features.day_store import Store
from pipeline.features.update_store import StoredDay, refresh_days
from pipeline.ingest.lake import Lake
from pipeline.ingest.registers import Registers
from pipeline.storage.earlier_source import EarlierSource

HOUR = timedelta(hours=1)
# Files of more days than this in one hour are a copy or a repair of the lake: they say nothing about arrival.
_MOST_DAYS_AT_ONCE = 3


def end_of(day: date) -> datetime:
    """Return when a UTC day is over."""
    return datetime.combine(day + timedelta(days=1), datetime.min.time(), UTC)


def lag_h(day: date, at: datetime) -> float:
    """Return the time from the end of a UTC day to `at` [h]; below 0 before its end."""
    return (at - end_of(day)) / HOUR


def arrival_times(lake: Lake, days: Sequence[date], now: datetime) -> dict[date, tuple[datetime, ...]]:
    """Return when each file of the `days` arrived, in order, of days whose files' times say something.

    A day doesn't count where a file's time lies before the day or after `now`, or where it shares the hour with files
    of many days, or of all: they were copied, not delivered.
    """
    times = {
        day: tuple(datetime.fromtimestamp(file.mtime_ns / 1e9, UTC) for file in lake.files(day))
        for day in days
    }
    together: dict[int, set[date]] = defaultdict(set)
    for day, arrived in times.items():
        for at in arrived:
            together[_hour(at)].add(day)
    most = min(_MOST_DAYS_AT_ONCE, len(times) - 1)

    def is_delivery(day: date, at: datetime) -> bool:
        return end_of(day) - 24 * HOUR <= at <= now and len(together[_hour(at)]) <= most

    return {
        day: arrived
        for day, arrived in times.items()
        if arrived and all(is_delivery(day, at) for at in arrived)
    }


def covered(day: StoredDay, store: Store) -> pl.DataFrame:
    """Return `site_id`, `covered_min` [min]: the time that each home's rows of a day cover; no other home."""
    files = day.paths(store, "site_day")
    return pl.concat(pl.read_parquet(file, columns=["site_id", "covered_min"]) for file in files)


def covered_at(
    con: duckdb.DuckDBPyConnection,
    lake: Lake,
    day: date,
    at: datetime,
    *,
    registers: Registers,
    settings: Settings,
    workdir: Path,
) -> pl.DataFrame:
    """Return `covered` of a day by the files that had arrived `at` a time: it reads them once more.

    Parameters
    ----------
    con
        The DuckDB to read with.
    lake, day, at
        What to read, and the time.
    registers, settings
        As of the night.
    workdir
        Folder for scratch files.
    """
    then = replace(lake, source=EarlierSource(lake.source, int(at.timestamp() * 1e9)))
    store = Store(workdir / "then")
    (stored,) = refresh_days(
        con, then, [day], registers=registers, store=store, settings=settings, workdir=workdir
    )
    return covered(stored, store)


def first_lags_h(times: Mapping[date, tuple[datetime, ...]]) -> dict[date, float]:
    """Return by day when its first file arrived [h after its end; below 0 before]."""
    return {day: lag_h(day, arrived[0]) for day, arrived in times.items()}


def _hour(at: datetime) -> int:
    return int(at.timestamp() // 3600)

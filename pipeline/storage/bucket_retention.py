"""What is no longer kept of an OUT in an object store: the same runs and days as in a folder."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date
from pathlib import Path

from pipeline.core.setting_sections import RetentionSettings
from pipeline.storage import retention
from pipeline.storage.bucket_index import Index
from pipeline.storage.bucket_names import day_of
from pipeline.storage.object_store import Bucket


def runs_to_drop(index: Index, local: Path, as_of: date, *, settings: RetentionSettings) -> tuple[date, ...]:
    """Return the days whose run is no longer kept once the night `as_of` is published, oldest first.

    Parameters
    ----------
    index
        What is published.
    local
        The working copy, with the plans of days.
    as_of, settings
        The night, and section [retention].
    """
    days = sorted(map(date.fromisoformat, index.runs))
    ends = {as_of, date.fromisoformat(index.latest or str(as_of))}
    before = {date.fromisoformat(day) for end in ends if (day := index.before(end))}
    dropped = retention.runs_to_drop(days, ends | before, settings)
    return tuple(day for day in dropped if not retention.is_still_planned(local, day, days[-1]))


def remove_runs(bucket: Bucket, days: Iterable[str]) -> None:
    """Remove the objects of runs that the index no longer names."""
    for day in sorted(days):
        bucket.remove(entry.name for entry in bucket.listed(f"runs/{day}"))


def remove_store_days(bucket: Bucket, names: Sequence[str], oldest: date) -> tuple[date, ...]:
    """Remove of these objects, store/TABLE/date=D/FILE, those of days before `oldest`; return the days."""
    tables: dict[str, list[str]] = {}
    days: set[date] = set()
    for name in names:
        table, day = name.split("/")[1], date.fromisoformat(day_of(name))
        if day < oldest:
            tables.setdefault(table, []).append(name)
            days.add(day)
    for table in sorted(tables, key=retention.turn_to_go):
        bucket.remove(tables[table])
    return tuple(sorted(days))

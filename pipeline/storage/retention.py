"""Which runs and which days of the store are kept: daily at first, then the last of each week, then of each month.

A night reads the run before it and no other: home stories, predictions and their book, the nights' counts and the
safety calls go from run to run in its tables. So a run may go once it is neither the latest nor what a night may still
go on from; nothing that is told of a home is lost with it but the pages and tables of that one night.

A run's link goes first, then its folder: killed in between, the folder is removed the next time.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Collection, Iterable, Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import polars as pl

from pipeline.core.setting_sections import RetentionSettings
from pipeline.storage import publish
from pipeline.storage.layout import PLAN_FOLDER, STORE_TABLES

_COUNTS_FIRST = ("intake", "cut", *STORE_TABLES)
_DAY = "????-??-??"


@dataclass(frozen=True)
class Removed:
    """Days whose run, and days whose statistics, are no longer kept."""

    runs: tuple[date, ...] = ()
    store_days: tuple[date, ...] = ()

    def __add__(self, later: Removed) -> Removed:
        """Return both together."""
        return Removed(self.runs + later.runs, self.store_days + later.store_days)


def runs_to_drop(
    days: Iterable[date], needed: Collection[date], settings: RetentionSettings
) -> tuple[date, ...]:
    """Return the days whose run is no longer kept, oldest first; ages count from the newest of `days`.

    Parameters
    ----------
    days
        Days that have a run.
    needed
        Days whose run stays in any case.
    settings
        Section [retention].
    """
    ordered = sorted(days)
    if not settings.thin_out or not ordered:
        return ()
    newest = ordered[-1]
    last_of_week = {day.isocalendar()[:2]: day for day in ordered}.values()
    last_of_month = {(day.year, day.month): day for day in ordered}.values()

    def is_kept(day: date) -> bool:
        age = (newest - day).days
        is_weekly = age < settings.weekly_days and day in last_of_week
        return age < settings.daily_days or is_weekly or day in last_of_month or day in needed

    return tuple(day for day in ordered if not is_kept(day))


def oldest_store_day(
    days: Iterable[date], as_of: date, settings: RetentionSettings, *, least_days: int
) -> date | None:
    """Return the oldest day of the store that is kept once the night `as_of` is published; None: all are.

    Parameters
    ----------
    days
        Days that have a run: where one is later, a past night was made, whose days are as old as it wants.
    as_of, settings
        The night, and section [retention].
    least_days
        Days that nights read in any case.
    """
    if not settings.thin_out or max(days, default=as_of) > as_of:
        return None
    return as_of - timedelta(days=max(settings.store_days, least_days))


def published_days(out: Path) -> list[date]:
    """Return the days that have a run, oldest first."""
    found = (day_of(entry.name) for entry in (out / "runs").glob(_DAY) if (entry / "run.json").is_file())
    return sorted(day for day in found if day)


def drop_runs(out: Path, as_of: date, settings: RetentionSettings) -> tuple[date, ...]:
    """Remove the runs that are no longer kept, now that the night `as_of` is published; return their days.

    Parameters
    ----------
    out
        The OUT, which is held.
    as_of
        The night: the next one may be that of the day after it, whatever else is published.
    settings
        Section [retention].
    """
    days = published_days(out)
    latest = publish.latest_day(out) or as_of
    ends = {as_of, latest}
    needed = ends | {before for day in ends for before in _made_from(out, day, days)}
    dropped = runs_to_drop(days, needed, settings)
    dropped = tuple(day for day in dropped if not is_still_planned(out, day, days[-1]))
    for day in dropped:
        (out / "runs" / str(day)).unlink()
    if settings.thin_out:
        for folder in _without_link(out, latest):
            shutil.rmtree(folder)
    return dropped


def drop_store_days(store: Path, oldest: date) -> tuple[date, ...]:
    """Remove the store's days before `oldest`; return them."""
    folders: dict[date, list[Path]] = {}
    for table in sorted((path.name for path in store.glob("*")), key=turn_to_go):
        for folder in (store / table).glob(f"date={_DAY}"):
            day = day_of(folder.name.removeprefix("date="))
            if day and day < oldest:
                folders.setdefault(day, []).append(folder)
    for day in sorted(folders):
        for folder in folders[day]:
            shutil.rmtree(folder)
    return tuple(sorted(folders))


def turn_to_go(table: str) -> tuple[int, str]:
    """Return when a table's files of a day are removed: the counts first, then it isn't taken for whole any more."""
    return _COUNTS_FIRST.index(table) if table in _COUNTS_FIRST else len(_COUNTS_FIRST), table


def _made_from(out: Path, day: date, days: Collection[date]) -> Iterator[date]:
    """Yield the run before that of `day`, and the one that it says it was made from."""
    yield from sorted(other for other in days if other < day)[-1:]
    try:
        run = json.loads((out / "runs" / str(day) / "run.json").read_text(encoding="utf-8"))
        yield from (found for found in [day_of(str(run["previous_run"]))] if found)
    except (OSError, ValueError, LookupError, TypeError):
        return


def is_still_planned(out: Path, day: date, newest: date) -> bool:
    """Tell whether a plan made of the run has days to come, whose pages lead to pages of the run."""
    file = out / PLAN_FOLDER / str(day) / "dispatch.parquet"
    try:
        last = pl.scan_parquet(file, glob=False).select(pl.col("day").max()).collect().item()
    except (OSError, pl.exceptions.PolarsError):
        return False
    return isinstance(last, date) and last > newest


def _without_link(out: Path, latest: date) -> list[Path]:
    """Return the whole runs of days that have none published: their links are gone, or never came."""
    linked = {entry.name for entry in (out / "runs").glob(_DAY) if entry.is_symlink()} | {str(latest)}
    folders = (out / "runs" / publish.WHOLE).glob(f"{_DAY}-*")
    return sorted(folder for folder in folders if folder.name[: len(_DAY)] not in linked)


def day_of(name: str) -> date | None:
    """Return the day that a name is, else None."""
    try:
        return date.fromisoformat(name) if len(name) == len(_DAY) else None
    except ValueError:
        return None

"""The run that a night goes on from: the newest before it whose tables are whole; newer ones are passed over."""

from __future__ import annotations

import os
from collections.abc import Collection
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from pipeline.storage.run_files import find_damage


@dataclass(frozen=True)
class EarlierRun:
    """The run's folder, None without one, and of each newer run a line on why it is not that one."""

    folder: Path | None = None
    passed_over: tuple[str, ...] = ()


def choose_earlier(out: Path, day: date, tables: Collection[str]) -> EarlierRun:
    """Return the newest published run before `day` of which these tables, by name, are what was published."""
    passed_over: list[str] = []
    for run in runs_before(out, day):
        line = tell_damage(run, tables)
        if line is None:
            return EarlierRun(run, tuple(passed_over))
        passed_over.append(line)
    return EarlierRun(None, tuple(passed_over))


def tell_damage(run: Path, tables: Collection[str]) -> str | None:
    """Return a line on what is wrong with these tables of a run; None where nothing is."""
    damaged = find_damage(run, {f"{table}.parquet" for table in tables})
    if not damaged:
        return None
    first, more = damaged[0], len(damaged) - 1
    also = f", and {more} more of its files" if more else ""
    return f"runs/{run.name}/{first.file}: {first.what}{also}"


def runs_before(out: Path, day: date) -> list[Path]:
    """Return the runs before `day`, newest first, also those that are not whole."""
    return [out / "runs" / name for name in reversed(run_days(out)) if name < str(day)]


def run_days(out: Path) -> list[str]:
    """Return the days of which OUT/runs has an entry, oldest first, whatever it leads to."""
    try:
        names = os.listdir(out / "runs")
    except FileNotFoundError:
        return []
    return sorted(name for name in names if _is_day(name))


def _is_day(name: str) -> bool:
    try:
        return str(date.fromisoformat(name)) == name
    except ValueError:
        return False

"""Brings the store up to date with the lake: redoes the shards that are new, late or changed, and no other."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import duckdb

from pipeline.core.executors import ThreadExecutor
from pipeline.core.settings import Settings
from pipeline.core.sharding import WHOLE, Executor, Shard
from pipeline.features.day_counts import DayCounts, total_counts
from pipeline.features.day_store import Store
from pipeline.features.day_update import DayState, DayWork
from pipeline.ingest.lake import Lake
from pipeline.ingest.registers import Registers
from pipeline.storage.layout import LINE_TABLE


@dataclass(frozen=True)
class StoredDay:
    """One day in the store, up to date with the lake."""

    day: date
    digest: str
    shards: tuple[Shard, ...]
    counts: DayCounts
    is_fresh: bool

    def paths(self, store: Store, table: str, homes: Shard | Sequence[str] = WHOLE) -> list[Path]:
        """Return the files of this day's table that may have rows of these homes, a shard or some by name.

        Of line_day only files that are there: a shard without a home of three lines has none.
        """
        if table == LINE_TABLE and not self.counts.three_line_homes:
            return []
        paths = [
            store.path(table, self.day, self.digest, shard)
            for shard in self.shards
            if (shard.meets(homes) if isinstance(homes, Shard) else any(shard.has(home) for home in homes))
        ]
        return [path for path in paths if path.exists()] if table == LINE_TABLE else paths


def refresh_days(
    con: duckdb.DuckDBPyConnection,
    lake: Lake,
    days: Iterable[date],
    *,
    registers: Registers,
    store: Store,
    settings: Settings,
    workdir: Path,
    tell: Callable[[date, bool], None] = lambda day, is_fresh: None,
    executor: Executor | None = None,
) -> list[StoredDay]:
    """Return every day of `days` from the store, after redoing what changed.

    A day is redone when its files, the SQL or the settings differ from what it was worked out from; a shard of it
    when a register fact that it used has changed, or when a home it could not place is known now. `tell` hears of each
    day when it is done, and whether any of it was read anew. `executor` carries out the tasks, by default a few at
    once, here.

    Parameters
    ----------
    con
        The DuckDB to read with.
    lake
        The lake.
    days
        UTC days, in order.
    registers
        The registers as they are now.
    store
        OUT/store.
    settings
        All settings.
    workdir
        Folder for scratch files.
    tell
        Called with each day when it is done.
    executor
        Carries the tasks out.

    Raises
    ------
    NightFailed
        A day's files don't rest, can't be read, or hold other rows than came out of them.
    """
    work = DayWork(
        lake, registers, store, settings, workdir, executor or ThreadExecutor(con, settings.engine)
    )
    wanted, done = list(days), {}
    waiting = []
    for state in work.look(wanted):
        if state.is_done:
            done[state.day] = _stored(state, is_fresh=False)
            tell(state.day, False)
        else:
            waiting.append(state)
    # As many days at once as keep everybody busy: copies of their files are gone before the next ones are made.
    for start in range(0, len(waiting), work.days_at_once):
        for state in work.finish(waiting[start : start + work.days_at_once]):
            done[state.day] = _stored(state, is_fresh=True)
            tell(state.day, True)
    shutil.rmtree(work.workdir, ignore_errors=True)
    return [done[day] for day in wanted]


def _stored(state: DayState, *, is_fresh: bool) -> StoredDay:
    counts = total_counts([state.held[shard] for shard in state.shards])
    return StoredDay(state.day, state.digest, state.shards, counts, is_fresh)

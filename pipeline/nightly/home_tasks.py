"""Tasks of a shard of homes each: features of the window, then likelihoods; an executor carries them out.

The fleet's tables are the shards' one below the other: a home's row does not depend on how the fleet is cut.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import duckdb
import polars as pl
from threadpoolctl import threadpool_limits

from pipeline.core.executors import ThreadExecutor
from pipeline.core.settings import Settings
from pipeline.core.sharding import Executor, Shard, StoredTable, TableStore
from pipeline.core.steps import Step
from pipeline.faults.catalogue import CATALOGUE
from pipeline.features.update_store import StoredDay
from pipeline.features.window import WindowView, look
from pipeline.nightly.night_inputs import NightInputs
from pipeline.nightly.utility_meters import MeterTask, NightMeters, meter_tasks
from pipeline.scoring.fleet_normal import FleetNormal, learn_normal
from pipeline.scoring.model import Model
from pipeline.scoring.score_homes import Scored, score
from pipeline.storage.layout import LINE_TABLE


@dataclass(frozen=True)
class WindowTask:
    """A shard of homes, the store's files that have days of theirs, and the registers."""

    shard: Shard
    day_files: tuple[Path, ...]
    line_files: tuple[Path, ...]
    sites: StoredTable
    visits: StoredTable
    as_of: date
    running: date | None
    window_days: int
    settings: Settings
    tables: TableStore
    meters: MeterTask | None = None


@dataclass(frozen=True)
class ShardWindow:
    """The tables site_signal and site_daily of a shard of homes."""

    shard: Shard
    signals: StoredTable
    daily: StoredTable


@dataclass(frozen=True)
class ScoreTask:
    """A shard of homes with its signals, the model, and what is normal in the fleet."""

    shard: Shard
    signals: StoredTable
    sites: StoredTable
    fleet: FleetNormal
    model: Model
    settings: Settings
    tables: TableStore


@dataclass(frozen=True)
class FleetWindow:
    """The window of the whole fleet, and the shards' tables for the scoring."""

    view: WindowView
    shards: tuple[ShardWindow, ...]


def look_at_shard(con: duckdb.DuckDBPyConnection, task: WindowTask) -> ShardWindow:
    """Return the features of a shard's homes in the window."""
    shard, tables = task.shard, task.tables
    view = look(
        con, task.day_files, task.sites.of(shard), visits=task.visits.of(shard), as_of=task.as_of, running=task.running,
        window_days=task.window_days, settings=task.settings, shard=shard,
        meters=None if task.meters is None else task.meters.of(shard), line_files=task.line_files,
    )  # fmt: skip
    signals = tables.put(f"signals-{shard.name}", view.signals)
    return ShardWindow(shard, signals, tables.put(f"daily-{shard.name}", view.daily))


def score_shard(con: duckdb.DuckDBPyConnection, task: ScoreTask) -> StoredTable:
    """Return table site_scores of a shard's homes, also of those without rows."""
    scores = score(
        task.signals.of(),
        task.sites.of(task.shard),
        task.fleet,
        model=task.model,
        catalogue=CATALOGUE,
        settings=task.settings.verdict,
    )
    return task.tables.put(f"scores-{task.shard.name}", scores)


def look_at_window(
    inputs: NightInputs, stored: Sequence[StoredDay], meters: NightMeters, *, executor: Executor | None = None
) -> FleetWindow:
    """Return the window of every home, shard by shard, cut as the newest day in it.

    Parameters
    ----------
    inputs, stored, meters
        What the night works on, the window's days in the store, and the utility's meters.
    executor
        Carries out the tasks of the shards; else threads do.
    """
    days = [day for day in stored if day.day <= (inputs.running or inputs.as_of)]
    registers, window_days = inputs.registers, inputs.request.window_days
    with inputs.connect() as con:
        executor = executor or ThreadExecutor(con, inputs.settings.engine)
        tables = executor.tables
        sites, visits = tables.put("sites", registers.sites), tables.put("visits", registers.service_work())
        cut = days[-1].shards
        of_meters = meter_tasks(meters, inputs, days, shards=cut, tables=tables)

        def files(table: str, shard: Shard) -> tuple[Path, ...]:
            return tuple(path for day in days for path in day.paths(inputs.store, table, shard))

        tasks = [
            WindowTask(
                shard, files("site_day", shard), files(LINE_TABLE, shard), sites, visits, inputs.as_of, inputs.running,
                window_days, inputs.settings, tables, meter_task,
            )
            for shard, meter_task in zip(cut, of_meters, strict=True)
        ]  # fmt: skip
        shards = executor(Step.LOOK_AT_WINDOW, look_at_shard, tasks)
        signals, daily = (
            pl.concat([source.of() for source in sources], how="diagonal_relaxed")  # some without three lines
            for sources in zip(*((shard.signals, shard.daily) for shard in shards), strict=True)
        )
    first = inputs.as_of - timedelta(days=window_days - 1)
    return FleetWindow(WindowView(first, inputs.as_of, signals, daily), tuple(shards))


def score_homes(inputs: NightInputs, window: FleetWindow, executor: Executor | None = None) -> Scored:
    """Return the scores of every home, by what is normal in this fleet; `executor`: else threads."""
    model, settings = inputs.model, inputs.settings
    with inputs.connect() as con:
        executor = executor or ThreadExecutor(con, settings.engine)
        register = executor.tables.put("sites", inputs.registers.sites)
        fleet = learn_normal(window.view.signals, model, settings.verdict)
        tasks = [
            ScoreTask(part.shard, part.signals, register, fleet, model, settings, executor.tables)
            for part in window.shards
        ]
        # Shards are scored side by side already; BLAS threads of each would only wait for each other.
        with threadpool_limits(1, "blas"):
            tables = executor(Step.SCORE_HOMES, score_shard, tasks)
        # A shard without a row has columns without a type.
        scores = pl.concat([table.of() for table in tables], how="vertical_relaxed")
    return Scored(scores, window.view.signals, fleet)

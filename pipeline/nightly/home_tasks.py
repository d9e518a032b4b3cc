"""The pieces of work that a window comes in, a shard of homes each: features, then evidence and likelihoods.

The fleet's tables are the shards' one below the other: what they say of a home does not depend on the cut.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import duckdb
import polars as pl
from threadpoolctl import threadpool_limits

from pipeline.core.settings import Settings
from pipeline.core.sharding import Executor, Shard, StoredTable, TableStore
from pipeline.faults.catalogue import CATALOGUE
from pipeline.features.day_store import Store
from pipeline.features.update_store import StoredDay
from pipeline.features.window import WindowView, look
from pipeline.ingest.registers import Registers
from pipeline.nightly.steps import Step
from pipeline.scoring.fleet_normal import FleetNormal, learn_normal
from pipeline.scoring.model import Model
from pipeline.scoring.score_homes import Scored, score


@dataclass(frozen=True)
class ShardToLookAt:
    """A shard of homes, the store's files that have days of theirs, and the registers."""

    shard: Shard
    day_files: tuple[Path, ...]
    sites: StoredTable
    visits: StoredTable
    as_of: date
    window_days: int
    settings: Settings
    tables: TableStore


@dataclass(frozen=True)
class ShardLookedAt:
    """The tables site_signal and site_daily of a shard of homes."""

    shard: Shard
    signals: StoredTable
    daily: StoredTable


@dataclass(frozen=True)
class ShardToScore:
    """A shard of homes with its signals, to be scored by a model against what is normal in the fleet."""

    shard: Shard
    signals: StoredTable
    sites: StoredTable
    fleet: FleetNormal
    model: Model
    settings: Settings
    tables: TableStore


@dataclass(frozen=True)
class ShardScored:
    """The table site_scores of a shard of homes."""

    scores: StoredTable


@dataclass(frozen=True)
class LookedAt:
    """The window of the whole fleet, and its parts where the scoring finds them."""

    view: WindowView
    parts: tuple[ShardLookedAt, ...]


def look_at_shard(con: duckdb.DuckDBPyConnection, piece: ShardToLookAt) -> ShardLookedAt:
    """Look at the window of a shard's homes."""
    shard, tables = piece.shard, piece.tables
    view = look(
        con, piece.day_files, piece.sites.of(shard), visits=piece.visits.of(shard), as_of=piece.as_of,
        window_days=piece.window_days, settings=piece.settings, shard=shard,
    )  # fmt: skip
    return ShardLookedAt(
        shard,
        tables.put(f"signals-{shard.name}", view.signals),
        tables.put(f"daily-{shard.name}", view.daily),
    )


def score_shard(con: duckdb.DuckDBPyConnection, piece: ShardToScore) -> ShardScored:
    """Score a shard's homes, also those without rows."""
    shard, tables = piece.shard, piece.tables
    scores = score(
        piece.signals.of(), piece.sites.of(shard), piece.fleet, piece.model, CATALOGUE, piece.settings.verdict
    )
    return ShardScored(tables.put(f"scores-{shard.name}", scores))


def look_over(
    days: Sequence[StoredDay],
    store: Store,
    registers: Registers,
    as_of: date,
    window_days: int,
    settings: Settings,
    executor: Executor,
) -> LookedAt:
    """Look at the window of every home: `window.look` shard by shard, as the newest of `days` is cut."""
    tables = executor.tables
    sites, visits = tables.put("sites", registers.sites), tables.put("visits", registers.visits)
    pieces = [
        ShardToLookAt(
            shard, tuple(path for day in days for path in day.paths(store, "site_day", shard)), sites, visits,
            as_of, window_days, settings, tables,
        )
        for shard in days[-1].shards
    ]  # fmt: skip
    parts = executor(Step.LOOK_AT_WINDOW, look_at_shard, pieces)
    signals, daily = (
        pl.concat([source.of() for source in sources], how="vertical_relaxed")
        for sources in zip(*((part.signals, part.daily) for part in parts), strict=True)
    )
    first = as_of - timedelta(days=window_days - 1)
    return LookedAt(WindowView(first, as_of, signals, daily), tuple(parts))


def score_over(
    looked: LookedAt, sites: pl.DataFrame, model: Model, settings: Settings, executor: Executor
) -> Scored:
    """Learn what is normal in the fleet, then score every home of the register by it."""
    register = executor.tables.put("sites", sites)
    fleet = learn_normal(looked.view.signals, model, settings.verdict)
    pieces = [
        ShardToScore(part.shard, part.signals, register, fleet, model, settings, executor.tables)
        for part in looked.parts
    ]
    # Shards are worked on side by side already; threads of a product's own would only wait for each other.
    with threadpool_limits(1, "blas"):
        parts = executor(Step.SCORE_HOMES, score_shard, pieces)
    # A shard without a row has columns without a type.
    scores = pl.concat([part.scores.of() for part in parts], how="vertical_relaxed")
    return Scored(scores, looked.view.signals, fleet)

"""What a run of corrections is put together from: who finds episodes, corrects rows and writes the statement."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Protocol

import duckdb
import polars as pl

from pipeline.core import sql_runner
from pipeline.core.settings import Settings
from pipeline.correction.extract import LakeReader
from pipeline.correction.layout import AS_REPORTED, CORRECTED, EPISODE, EXACT, SUSPECTED
from pipeline.correction.write_statement import StatementSummary, write_statement
from pipeline.features.day_store import Store
from pipeline.ingest.lake import Lake
from pipeline.ingest.registers import Registers


@dataclass(frozen=True)
class PublishedNight:
    """What episodes are found by: a published run in `folder`, the lake it read and the registers as of its day.

    `store` is what the night keeps. With `sites` only these homes are asked for; empty means all. Scratch files go into
    `workdir`, which is removed afterwards.
    """

    folder: Path
    as_of: date
    lake: Lake
    registers: Registers
    store: Store
    settings: Settings
    workdir: Path
    sites: tuple[str, ...] = ()

    def connect(self) -> duckdb.DuckDBPyConnection:
        """Return a DuckDB that spills into `workdir`, for a `with` statement."""
        return sql_runner.connect(self.workdir, self.settings.engine)

    def reader(self) -> LakeReader:
        """Return what reads homes' used rows out of the lake."""
        return LakeReader(self.lake, self.registers, self.settings, self.workdir, self.store)


class WriteStatement(Protocol):
    """Writes tables and pages into the folder of the corrected rows, as `write_statement` does."""

    def __call__(
        self, corrected: Path, episodes: pl.DataFrame, sites: pl.DataFrame, *, as_of: date, settings: Settings
    ) -> StatementSummary:
        """Write them and return what they come to."""


@dataclass(frozen=True)
class Stages:
    """`find` gives table EPISODE (and columns beside), `correct` makes CORRECTED of used rows and episodes of a day."""

    find: Callable[[PublishedNight], pl.DataFrame]
    correct: Callable[[pl.DataFrame, pl.DataFrame], pl.DataFrame]
    write: WriteStatement = write_statement


def shipped_stages() -> Stages:
    """Return the stages that the command and the night use."""
    return Stages(find_suspected, turn_signs)


def find_suspected(night: PublishedNight) -> pl.DataFrame:
    """Return an episode of each home whose suspected fault is likely enough, from its onset to the night."""
    scores = pl.read_parquet(night.folder / "site_scores.parquet", glob=False)
    likely = scores.filter(pl.col("likelihood") >= night.settings.correction.least_likelihood)
    first = pl.lit(night.lake.days()[0])
    found = likely.filter(pl.col("suspected_fault").is_not_null()).select(
        "site_id", "leg", fault="suspected_fault", likelihood="likelihood", basis=pl.lit(SUSPECTED),
        from_on=pl.coalesce("onset_on", first),
    )  # fmt: skip
    others = [pl.lit(None, kind).alias(name) for name, kind in EPISODE.items() if name not in found.columns]
    return found.with_columns(others).select(EPISODE.names()).cast(EPISODE)


def turn_signs(rows: pl.DataFrame, episodes: pl.DataFrame) -> pl.DataFrame:
    """Return the rows with the sign of each leg turned that an episode names, the others as reported."""
    told = rows.join(
        episodes.select("site_id", "fault", "leg", "likelihood"),
        on="site_id",
        how="left",
        maintain_order="left",
    )
    factors = {
        name: pl.when(pl.col("leg").is_in([name, "both"])).then(-1.0).otherwise(1.0) for name in ("l1", "l2")
    }
    is_turned = pl.col("leg").is_in(["l1", "l2", "both"])
    made = told.with_columns(
        *(pl.col(f"{name}_w").alias(f"{name}_w_reported") for name in ("l1", "l2", "pv")),
        *(factor.alias(f"factor_{name}") for name, factor in factors.items()),
        *((pl.col(f"{name}_w") * factor).alias(f"{name}_w") for name, factor in factors.items()),
        is_corrected=is_turned,
        method=pl.when(is_turned).then(pl.lit(EXACT)).otherwise(pl.lit(AS_REPORTED)),
    )
    missing = [pl.lit(None, kind).alias(name) for name, kind in CORRECTED.items() if name not in made.columns]
    return made.with_columns(missing).select(CORRECTED.names()).cast(CORRECTED)

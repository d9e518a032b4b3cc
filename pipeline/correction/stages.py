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
from pipeline.correction.write_statement import StatementSummary, write_statement
from pipeline.features.day_store import Store
from pipeline.ingest.lake import Lake
from pipeline.ingest.registers import Registers


@dataclass(frozen=True)
class PublishedNight:
    """What episodes are found by: a published run in `folder`, the lake it read and the registers as of its day.

    `store` is what the night keeps, `corrected` the folder of corrected rows, with what earlier runs found. With
    `sites` only these homes are asked for; empty means all. Scratch files go into `workdir`, which is removed
    afterwards; `tell` takes lines of progress.
    """

    folder: Path
    as_of: date
    lake: Lake
    registers: Registers
    store: Store
    settings: Settings
    workdir: Path
    corrected: Path
    sites: tuple[str, ...] = ()
    tell: Callable[[str], None] = lambda line: None

    def connect(self) -> duckdb.DuckDBPyConnection:
        """Return a DuckDB that spills into `workdir`, for a `with` statement."""
        return sql_runner.connect(self.workdir, self.settings.engine)

    def reader(self) -> LakeReader:
        """Return what reads homes' used rows out of the lake."""
        return LakeReader(
            self.lake, self.registers, self.settings, self.workdir, self.store, self.workdir / "rows"
        )


class WriteStatement(Protocol):
    """Writes tables and pages into the folder of the corrected rows, as `write_statement` does."""

    def __call__(
        self, corrected: Path, episodes: pl.DataFrame, sites: pl.DataFrame, *, as_of: date, settings: Settings
    ) -> StatementSummary:
        """Write them and return what they come to."""


EPISODES = "episode.parquet"  # in the folder of corrected rows
Correct = Callable[[pl.DataFrame, pl.DataFrame], pl.DataFrame]


@dataclass(frozen=True)
class Findings:
    """Table EPISODE (and columns beside, all of which count in what a row comes from), and what corrects by it.

    `correct` makes CORRECTED of used rows of a day and the episodes of their homes on it.
    """

    episodes: pl.DataFrame
    correct: Correct


@dataclass(frozen=True)
class Stages:
    """Who finds episodes and how rows are corrected, and who writes the statement."""

    find: Callable[[PublishedNight], Findings]
    write: WriteStatement = write_statement

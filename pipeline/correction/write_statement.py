"""Writes the statement of corrected energy into OUT/corrected: its tables and the pages for a customer-service desk."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core.atomic_files import replacing, write_parquet
from pipeline.core.settings import Settings
from pipeline.correction.day_energy import read_energy
from pipeline.correction.statement import Statement, make_statement
from pipeline.correction.statement_page import write_pages
from pipeline.storage.layout import CORRECTED_DAY, CORRECTED_SUMS
from pipeline.storage.table_files import write_csv


@dataclass(frozen=True)
class StatementSummary:
    """What a statement comes to.

    `homes` with corrected readings; `kwh_reported` and `kwh_corrected`, what they used by the readings as reported and
    put right, over the same hours; `not_corrected`, episodes of which nothing was put right; `index`, the first page.
    """

    homes: int
    kwh_reported: float
    kwh_corrected: float
    not_corrected: int
    index: Path


def write_statement(
    corrected: Path, episodes: pl.DataFrame, sites: pl.DataFrame, *, as_of: date, settings: Settings
) -> StatementSummary:
    """Write tables (CSV and Parquet) and pages of what the corrected readings in `corrected` come to.

    Each file is replaced in one step; pages of homes that no longer have one are removed. A day is read again only when
    its file or an episode of it changed, a few days at a time.

    Parameters
    ----------
    corrected
        OUT/corrected, with date=YYYY-MM-DD/corrected.parquet (`layout.CORRECTED`).
    episodes
        `layout.EPISODE`; those with `why_not` too.
    sites
        The contract's register of homes; what is private in it stays out of tables and pages.
    as_of
        The night.
    settings
        [correction], [day] and [engine].

    Raises
    ------
    OSError
        A file cannot be read or written.
    """
    files = sorted(corrected.glob(f"date=*/{CORRECTED_DAY}"))
    corrected.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as temporary:
        energy, reasons = read_energy(
            files, episodes, settings, workdir=Path(temporary), kept=corrected / CORRECTED_SUMS
        )
    statement = make_statement(energy, reasons, episodes)
    write_tables(corrected, statement)
    index = write_pages(corrected / "report", statement, sites, as_of=as_of, settings=settings.correction)
    total = statement.fleet.row(0, named=True) if statement.episode.height else {}
    return StatementSummary(
        homes=total.get("homes_corrected", 0),
        kwh_reported=total.get("use_kwh_reported") or 0.0,
        kwh_corrected=total.get("use_kwh_corrected") or 0.0,
        not_corrected=statement.not_corrected.height,
        index=index,
    )


def write_tables(folder: Path, statement: Statement) -> None:
    """Write the statement's tables as CSV and Parquet, each file whole."""
    for name, table in statement.tables().items():
        write_parquet(folder / f"{name}.parquet", table)
        with replacing(folder / f"{name}.csv") as part:
            write_csv(table, part)

"""A big fleet made quickly for the bench: few simulated homes, copied under new ids, and the store they would leave.

What a night does with a home does not hang on whether another one is its copy. History is laid down: its statistics are
worked out for the simulated homes by ordinary nights and copied, which is what a backfill of the copied rows gives
(tests/pipeline/test_bench.py holds it).
"""

from __future__ import annotations

import shutil
from collections.abc import Iterable
from dataclasses import replace
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.lake import open_lake
from pipeline.settings import Settings
from pipeline.store import Store, day_digest

ROW_GROUP_ROWS = 115_200
_KEYS = {"sites": ("site_id",), "visits": ("visit_id", "site_id")}


def copied_id(copy: int, column: str = "site_id") -> pl.Expr:
    """Return the column's ids in the copy with this number; they stay in order within and across copies."""
    return pl.format(f"C{copy:04d}-{{}}", pl.col(column)).alias(column)


def copy_registers(base: Path, out: Path, copies: int) -> None:
    """Write the registers of the fleet that holds each home of `base` so many times."""
    for table in ("sites", "crews", "visits", "trainings"):
        rows = pl.read_csv(base / f"{table}.csv", infer_schema=False)
        if table in _KEYS:
            rows = pl.concat(
                rows.with_columns(copied_id(copy, key) for key in _KEYS[table]) for copy in range(copies)
            )
        rows.write_csv(out / f"{table}.csv")


def copy_day(base: Path, out: Path, copies: int, day: date) -> None:
    """Write the intervals of a day, one file a copy; rows in the order of `base`."""
    rows = pl.read_parquet(base / "intervals" / f"date={day}" / "*.parquet", hive_partitioning=False)
    folder = out / "intervals" / f"date={day}"
    folder.mkdir(parents=True)
    for copy in range(copies):
        renamed = rows.with_columns(copied_id(copy))
        renamed.write_parquet(
            folder / f"part-{copy:04d}.parquet", compression="zstd", row_group_size=ROW_GROUP_ROWS
        )


def lay_history(
    base: Path,
    base_store: Store,
    out: Path,
    store: Store,
    copies: int,
    days: Iterable[date],
    settings: Settings,
) -> None:
    """Put the days into the big fleet's store from the small fleet's, and stand-ins for their files into the lake.

    A night tells by its files' names, sizes and times whether a day is in the store, and opens none of a day that is:
    the small fleet's own files stand there.
    """
    days = list(days)
    for day in days:
        name = Path("intervals") / f"date={day}"
        shutil.copytree(base / name, out / name)
    small, big = open_lake(base), open_lake(out)
    for day in days:
        known = day_digest(f"{small.fingerprint(day)} past", settings)
        kept = base_store.counts(day, known)
        tables = {}
        for table in ("site_day", "site_hour", "reject"):
            rows = pl.read_parquet(base_store.path(table, day, known), glob=False, hive_partitioning=False)
            if table != "reject":
                rows = pl.concat(rows.with_columns(copied_id(copy)) for copy in range(copies))
            tables[table] = rows
        counted = replace(
            kept,
            **{name: getattr(kept, name) * copies for name in ("rows_in", "used", "duplicate", "rejected")},
        )
        store.put(day, day_digest(f"{big.fingerprint(day)} past", settings), tables, counted)

"""A big fleet made quickly for the bench: few simulated homes, copied under new ids, and the store they would leave.

What a night does with a home does not hang on whether another one is its copy. History is laid down: its statistics are
worked out for the simulated homes by ordinary nights and copied, which is what a backfill of the copied rows gives
(tests/pipeline/evaluation/test_benchmark.py holds it).
"""

from __future__ import annotations

import shutil
from collections.abc import Iterable
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core.errors import NightFailed
from pipeline.core.settings import Settings
from pipeline.core.sharding import cut
from pipeline.features.day_store import Cut, DayCounts, Store, day_digest, total_counts
from pipeline.ingest.lake import open_lake

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
    shards = cut(
        pl.read_csv(out / "sites.csv", columns=["site_id"])["site_id"].sort(), settings.lake.homes_per_shard
    )
    for day in days:
        known = day_digest(f"{small.fingerprint(day)} past", settings)
        digest = day_digest(f"{big.fingerprint(day)} past", settings)
        noted = base_store.cut(day, known)
        if noted is None:
            raise NightFailed(f"{base}: {day} is not in the store; run the small fleet's nights first")
        held = [base_store.counts(day, known, shard) for shard in noted.shards]
        whole = total_counts(held)
        fleet = {
            table: _copies(
                pl.concat(_read(base_store.path(table, day, known, shard)) for shard in noted.shards), copies
            )
            for table in ("site_day", "site_hour")
        }
        reject = pl.concat(_read(base_store.path("reject", day, known, shard)) for shard in noted.shards)
        store.put_cut(day, digest, Cut(shards, whole.rows_in * copies))
        for shard in shards:
            tables = {table: shard.rows(rows.lazy()).collect() for table, rows in fleet.items()}
            used = int(tables["site_day"]["n_row"].sum())
            duplicate, rejected = (
                number * copies if shard.is_first else 0 for number in (whole.duplicate, whole.rejected)
            )
            rejects = pl.concat([reject] * copies) if shard.is_first else reject.clear()
            store.put(
                day, digest, shard, {**tables, "reject": rejects},
                DayCounts(used + duplicate + rejected, used, duplicate, rejected, whole.files),
            )  # fmt: skip


def _read(path: Path) -> pl.DataFrame:
    return pl.read_parquet(path, glob=False, hive_partitioning=False)


def _copies(rows: pl.DataFrame, copies: int) -> pl.DataFrame:
    return pl.concat(rows.with_columns(copied_id(copy)) for copy in range(copies))

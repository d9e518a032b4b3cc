"""A big fleet made quickly for the benchmark: few simulated homes copied under new ids, and the store they would leave.

What a night does with a home doesn't depend on whether another one is its copy. Statistics of the history are worked
out for the simulated homes by ordinary nights and copied, which is what a backfill of the copied rows gives.
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
from pipeline.features.day_counts import DayCounts, total_counts
from pipeline.features.day_store import Cut, Store, day_digest
from pipeline.ingest.lake import open_lake
from pipeline.storage.layout import LINE_TABLE, STORE_TABLES

ROW_GROUP_ROWS = 115_200
_KEYS = {"sites": ("site_id",), "visits": ("visit_id", "site_id")}


def copied_id(copy: int, column: str = "site_id") -> pl.Expr:
    """Return the column's ids in the copy with this number; they stay in order within and across copies."""
    return pl.format(f"C{copy:04d}-{{}}", pl.col(column)).alias(column)


def copy_registers(base: Path, out: Path, copies: int) -> int:
    """Write the registers of the fleet that has each home of `base` so many times; return its number of homes."""
    counts = {}
    for table in ("sites", "crews", "visits", "trainings"):
        rows = pl.read_csv(base / f"{table}.csv", infer_schema=False)
        if table in _KEYS:
            rows = _copies(rows, copies, _KEYS[table])
        rows.write_csv(out / f"{table}.csv")
        counts[table] = rows.height
    return counts["sites"]


def copy_day(base: Path, out: Path, copies: int, *, day: date, becomes: date | None = None) -> None:
    """Write the intervals of a day, one file a copy; rows in the order of `base`.

    Parameters
    ----------
    base, out
        Lakes.
    copies
        How often each home is copied.
    day
        The UTC day.
    becomes
        The day that its rows are of in `out`, if that is another.
    """
    rows = pl.read_parquet(base / "intervals" / f"date={day}" / "*.parquet", hive_partitioning=False)
    rows = rows.with_columns(pl.col("interval_start") + ((becomes or day) - day))
    folder = out / "intervals" / f"date={becomes or day}"
    folder.mkdir(parents=True)
    for copy in range(copies):
        path = folder / f"part-{copy:04d}.parquet"
        rows.with_columns(copied_id(copy)).write_parquet(
            path, compression="zstd", row_group_size=ROW_GROUP_ROWS
        )


def write_history(
    base: tuple[Path, Store],
    big: tuple[Path, Store],
    copies: int,
    *,
    days: Iterable[date],
    settings: Settings,
) -> None:
    """Put the days into the big fleet's store from the small fleet's, and stand-ins for their files into the lake.

    A night tells by its files' names, sizes and times whether a day is in the store, and opens none of a day that is:
    the small fleet's own files stand there.

    Parameters
    ----------
    base
        The small fleet's lake and store.
    big
        The big fleet's, registers written.
    copies
        How often each home is copied.
    days
        The history.
    settings
        Of the night.

    Raises
    ------
    NightFailed
        A day is not in the small fleet's store.
    """
    days = list(days)
    (base_root, base_store), (root, store) = base, big
    for day in days:
        shutil.copytree(base_root / "intervals" / f"date={day}", root / "intervals" / f"date={day}")
    base_lake, lake = open_lake(base_root), open_lake(root)
    site_ids = pl.read_csv(root / "sites.csv", columns=["site_id"])["site_id"].sort()
    shards = cut(site_ids, settings.lake.homes_per_shard)
    for day in days:
        base_digest, digest = (
            day_digest(f"{source.fingerprint(day)} past", settings) for source in (base_lake, lake)
        )
        base_cut = base_store.cut(day, base_digest)
        if base_cut is None:
            raise NightFailed(f"{base_root}: {day} is not in the store; run the small fleet's nights first")
        counts = total_counts([base_store.counts(day, base_digest, shard) for shard in base_cut.shards])
        paths = {
            table: [base_store.path(table, day, base_digest, shard) for shard in base_cut.shards]
            for table in STORE_TABLES
        }
        # a shard without a home of three lines has no file of them
        paths[LINE_TABLE] = [path for path in paths[LINE_TABLE] if path.exists()]
        stored = {
            table: pl.concat(pl.read_parquet(path, glob=False, hive_partitioning=False) for path in files)
            for table, files in paths.items()
            if files
        }
        reject = stored.pop("reject")
        copied = {table: _copies(rows, copies).lazy() for table, rows in stored.items()}
        store.put_cut(day, digest, Cut(shards, counts.rows_in * copies))
        for shard in shards:
            # what belongs to no home stands in the first shard
            times = copies if shard.is_first else 0
            tables = {table: shard.rows(rows).collect() for table, rows in copied.items()}
            tables["reject"] = pl.concat([reject.clear(), *[reject] * times])
            used = int(tables["site_day"]["n_row"].sum())
            duplicate, rejected = counts.duplicate * times, counts.rejected * times
            total = used + duplicate + rejected
            three = tables[LINE_TABLE]["site_id"].n_unique() if LINE_TABLE in tables else 0
            put = DayCounts(total, used, duplicate, rejected, counts.files, three_line_homes=three)
            store.put(day, digest, shard, tables, put)


def _copies(rows: pl.DataFrame, copies: int, keys: Iterable[str] = ("site_id",)) -> pl.DataFrame:
    return pl.concat(rows.with_columns(copied_id(copy, key) for key in keys) for copy in range(copies))

"""The rows that a night did not use, in one order whatever the shards: written, and counted by reason."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import duckdb
import polars as pl

from pipeline.core import sql_runner
from pipeline.core.errors import NightFailed
from pipeline.features.day_store import Store
from pipeline.features.update_store import StoredDay
from pipeline.ingest.lake import Lake
from pipeline.ingest.utility import UtilityIntake


def count_rejects(
    registers: pl.DataFrame, stored: Sequence[StoredDay], lake: Lake, *, store: Store, meters: UtilityIntake
) -> pl.DataFrame:
    """Return how many rejects there are of each source_file and reason, and `is_row`: not a whole file; sorted.

    Parameters
    ----------
    registers
        Rejects of the registers.
    stored, lake, store
        The night's days, their lake and the store.
    meters
        What the utility's files held.

    Raises
    ------
    NightFailed
        A day's rejects, or those of the utility's files, are not as many as it counts.
    """
    none = pl.lit(None, dtype=pl.Date)
    every = pl.concat(
        [
            registers.lazy().with_columns(day=none),
            *(_scan(day.paths(store, "reject")).with_columns(day=pl.lit(day.day)) for day in stored),
            *(_scan([file]).with_columns(day=none) for file in meters.reject_files),
        ]
    )
    keys = ("day", "source_file", pl.col("source_row").is_not_null().alias("is_row"), "reason")
    counted = every.group_by(*keys).agg(count=pl.len()).collect(engine="streaming").sort(pl.all())
    for day in stored:
        rows = counted.filter("is_row", day=day.day)["count"].sum()
        if rows != day.counts.rejected:
            raise NightFailed(
                f"{lake.root}: {day.day} counts {day.counts.rejected} rejected rows, the store has {rows};"
                f" delete {store.root} and run the night again"
            )
    of_utility = counted.filter("is_row", pl.col("source_file").str.starts_with("utility/"))["count"].sum()
    if of_utility != meters.rejected:
        raise NightFailed(
            f"{lake.root}: the utility's files count {meters.rejected} rejected rows, {of_utility} are kept;"
            f" delete {store.root} and run the night again"
        )
    return counted


def by_reason(counted: pl.DataFrame) -> pl.DataFrame:
    """Return (reason, count) of counted rejects, most first."""
    return (
        counted.group_by("reason")
        .agg(pl.col("count").sum())
        .sort("count", "reason", descending=[True, False])
    )


def write_rejects(
    con: duckdb.DuckDBPyConnection,
    path: Path,
    registers: pl.DataFrame,
    *,
    stored: Sequence[StoredDay],
    lake: Lake,
    store: Store,
    meters: UtilityIntake,
) -> None:
    """Write the registers' rejects, those of the days, oldest first, and of the utility's files, as one Parquet file.

    Parameters
    ----------
    con
        A database that may spill.
    path
        The file.
    registers
        Rejects of the registers.
    stored, lake, store
        The night's days, their lake and the store.
    meters
        What the utility's files held.
    """
    cut = [day.day for day in stored if len(day.shards) > 1 and day.counts.rejected]
    arrived = pl.DataFrame(
        {"source_file": [file.name for day in cut for file in lake.files(day)]},
        schema={"source_file": pl.String},
    )
    arrived = arrived.unique(maintain_order=True)  # a file may have rows of several days
    con.register("arrived", arrived.with_row_index("place").to_arrow())
    con.register("register_reject", registers.with_row_index("place").to_arrow())
    files = [sql_runner.as_named(path) for path in (*_paths(stored, store), *meters.reject_files)]
    sql_runner.write(con, "rejects", {"reject_files": files}, path=path)


def _scan(files: Sequence[Path]) -> pl.LazyFrame:
    return pl.scan_parquet(list(files), glob=False, hive_partitioning=False)


def _paths(stored: Sequence[StoredDay], store: Store) -> list[Path]:
    return [path for day in stored for path in day.paths(store, "reject")]

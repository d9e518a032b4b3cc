"""Every row that a night did not use, in one order whatever the cut: written, and counted by reason."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import polars as pl

from pipeline.core.errors import NightFailed
from pipeline.features.day_store import Store
from pipeline.features.update_store import StoredDay
from pipeline.ingest.lake import Lake
from pipeline.ingest.rejects_file import blocks, merged, writing

_GROUP_ROWS = 50_000
_MOST_ROWS = 10**12  # of a file: source_row stays below it


def day_rejects(stored: StoredDay, lake: Lake, store: Store) -> Iterator[pl.DataFrame]:
    """Yield the day's rejects a few at a time: files that can't be read, then rows as they arrived."""
    parts = [blocks(path) for path in stored.paths(store, "reject")]
    if len(parts) == 1:
        return parts[0]
    arrived = {file.name: at for at, file in enumerate(lake.files(stored.day))}
    place = pl.col("source_file").replace_strict(arrived, default=len(arrived), return_dtype=pl.Int64)
    row = place * _MOST_ROWS + pl.col("source_row")
    return merged(parts, pl.when(pl.col("source_row").is_null()).then(place - _MOST_ROWS).otherwise(row))


def count_rejects(registers: pl.DataFrame, stored: Iterable[StoredDay], store: Store) -> pl.DataFrame:
    """Return how many rejects there are of each source_file and reason, sorted by them.

    `is_row` tells rows from whole files; `registers` are the registers' rejects.
    """
    paths = [path for day in stored for path in day.paths(store, "reject")]
    every = pl.concat([registers.lazy(), pl.scan_parquet(paths, glob=False, hive_partitioning=False)])
    keys = ("source_file", pl.col("source_row").is_not_null().alias("is_row"), "reason")
    return every.group_by(*keys).agg(count=pl.len()).collect(engine="streaming").sort(pl.all())


def by_reason(counted: pl.DataFrame) -> pl.DataFrame:
    """Return (reason, count) of counted rejects, most first."""
    return (
        counted.group_by("reason")
        .agg(pl.col("count").sum())
        .sort("count", "reason", descending=[True, False])
    )


def write_rejects(
    path: Path, registers: pl.DataFrame, stored: Iterable[StoredDay], lake: Lake, store: Store
) -> None:
    """Write the registers' rejects and those of the days, oldest first, as one Parquet file.

    Raises
    ------
    NightFailed
        A day's rejects are not as many as it counts.
    """
    with writing(path, _GROUP_ROWS) as write:
        write(registers)
        for day in stored:
            rows = 0
            for block in day_rejects(day, lake, store):
                write(block)
                rows += block["source_row"].count()
            if rows != day.counts.rejected:
                raise NightFailed(
                    f"{lake.root}: {day.day} counts {day.counts.rejected} rejected rows, the store has {rows};"
                    f" delete {store.root} and run the night again"
                )

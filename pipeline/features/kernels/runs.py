"""Which rows of a day's files are one home's: the runs of each file, from its site_id column alone."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.core.sharding import Shard

# A file with fewer rows a run than this isn't sorted by home: nothing in it is tidy.
LEAST_ROWS_A_RUN = 4
READ_ERRORS = (OSError, ValueError, pa.ArrowException)


@dataclass(frozen=True)
class Runs:
    """A stretch of a file's rows in order: `site_id`, `rows` of each run of one home, `is_mine` if of the shard.

    The stretch is that of the row groups `groups`, before which `rows_before` rows lie. Of a file that is shuffled,
    or whose rows are not to be taken as they stand, the homes only.
    """

    frame: pl.DataFrame
    groups: range
    rows_before: int
    is_sorted: bool


def runs_of(path: Path, is_in_place: bool, shard: Shard) -> Runs | None:
    """Return the runs of a file's row groups that may hold a shard's homes; None: it can't be read.

    The homes only where it is a staged copy or not in us or ms.
    """
    try:
        with pq.ParquetFile(path, read_dictionary=["site_id"]) as file:
            groups = _groups_of(file.metadata, shard)
            before = sum(file.metadata.row_group(at).num_rows for at in range(groups.start))
            may_be_taken = is_in_place and _is_plain(file.schema_arrow)
            batches = (
                file.iter_batches(1 << 20, row_groups=list(groups), columns=["site_id"]) if groups else []
            )
            parts = [_run_lengths(batch.column(0)) for batch in batches]
    except READ_ERRORS:
        return None
    frame = pl.concat(parts) if parts else _frame([], [])
    total, count = int(frame["rows"].sum()), frame.height
    if not may_be_taken or (count > 1 and total < LEAST_ROWS_A_RUN * count):
        homes = frame.select("site_id", rows=pl.lit(0, pl.Int64)).unique()
        return Runs(_marked(homes, shard), groups, before, is_sorted=False)
    joined = frame.with_columns(at=pl.col("site_id").rle_id()).group_by("at", maintain_order=True)
    runs = joined.agg(pl.col("site_id").first(), pl.col("rows").sum()).drop("at")
    return Runs(_marked(runs, shard), groups, before, is_sorted=True)


def _groups_of(footer: pq.FileMetaData, shard: Shard) -> range:
    """Return the row groups from the first to the last that may hold a home of the shard, all where nothing tells."""
    at = next((n for n in range(footer.num_columns) if footer.schema.column(n).name == "site_id"), None)
    if at is None:
        raise ValueError("no site_id")
    held = []
    for number in range(footer.num_row_groups):
        told = footer.row_group(number).column(at).statistics
        if told is None or not told.has_min_max or not told.has_null_count or told.null_count:
            return range(footer.num_row_groups)
        if not (isinstance(told.min, str) and isinstance(told.max, str)):
            return range(footer.num_row_groups)
        if shard.meets(Shard(told.min, None)) and shard.meets(Shard(None, told.max + "\0")):
            held.append(number)
    return range(held[0], held[-1] + 1) if held else range(0)


def _marked(frame: pl.DataFrame, shard: Shard) -> pl.DataFrame:
    return frame.with_columns(is_mine=shard.holds(pl.col("site_id")).fill_null(shard.is_first))


def once(every: Iterable[Runs]) -> pl.Series:
    """Return the homes that have all their rows of the day in one run of one file."""
    known = list(every)
    # the homes of a file whose rows can't be taken count as more than one run
    frames = [runs.frame for runs in known] + [runs.frame for runs in known if not runs.is_sorted]
    frames = [frame.filter("is_mine") for frame in frames]
    if not frames:
        return pl.Series("site_id", [], pl.String)
    count = pl.concat(frames).drop_nulls("site_id").group_by("site_id").len()
    return count.filter(pl.col("len") == 1)["site_id"]


def _is_plain(schema: pa.Schema) -> bool:
    """Tell whether the columns stand under the contract's own names and the times are counted in us or ms."""
    if not {"site_id", "interval_start"} <= set(schema.names):
        return False
    kind = schema.field("interval_start").type
    return bool(pa.types.is_timestamp(kind) and kind.unit in ("us", "ms"))


def _run_lengths(column: pa.DictionaryArray) -> pl.DataFrame:
    codes = column.indices.fill_null(-1).to_numpy(zero_copy_only=False)
    if not len(codes):
        return _frame([], [])
    starts = np.concatenate([[0], np.flatnonzero(np.diff(codes)) + 1])
    names = column.dictionary.cast(pa.string()).to_pylist()
    ids = [names[code] if code >= 0 else None for code in codes[starts]]
    return _frame(ids, np.diff(np.append(starts, len(codes))).tolist())


def _frame(ids: list[str | None], rows: list[int]) -> pl.DataFrame:
    return pl.DataFrame({"site_id": ids, "rows": rows}, schema={"site_id": pl.String, "rows": pl.Int64})

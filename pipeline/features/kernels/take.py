"""Takes the tidy homes of a day's files; what is left over goes through the day's SQL."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from pipeline.core.settings import Settings
from pipeline.core.sharding import Shard
from pipeline.features.kernels.block import Block, block_of
from pipeline.features.kernels.compiled import Bool, Int
from pipeline.features.kernels.fleet import Fleet, fleet_of
from pipeline.features.kernels.frames import Found, day_frame, hour_frame
from pipeline.features.kernels.homes import check_homes, work_out
from pipeline.features.kernels.rows import CHANNELS
from pipeline.features.kernels.runs import READ_ERRORS, Runs, once, runs_of
from pipeline.ingest.lake import LakeFile

_BATCH_ROWS = 115_000


@dataclass(frozen=True)
class TidyDay:
    """The statistics of the tidy homes (columns of site_day and site_hour by name, no order promised) and their rows.

    `looked_at` are the files that tidy homes were looked for in; `left` maps each of them that has rows left over to
    where these now are: the file itself, or a staged copy of them.
    """

    site_day: pl.DataFrame
    site_hour: pl.DataFrame
    rows: int
    looked_at: frozenset[LakeFile]
    left: dict[LakeFile, Path]

    def joined(self, site_day: pl.DataFrame, site_hour: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
        """Return both kinds of homes together: these and those of the SQL's tables, in the SQL's columns and order."""
        if not self.rows:
            return site_day, site_hour
        both_days = [site_day, self.site_day.select(site_day.columns).cast(site_day.schema)]
        both_hours = [site_hour, self.site_hour.select(site_hour.columns).cast(site_hour.schema)]
        return pl.concat(both_days).sort("site_id"), pl.concat(both_hours).sort("site_id", "hour_start")


def take_tidy(
    con: duckdb.DuckDBPyConnection,
    files: Mapping[LakeFile, Path],
    limits: pl.DataFrame,
    sky: pl.DataFrame,
    day: date,
    shard: Shard,
    settings: Settings,
    workdir: Path,
) -> TidyDay:
    """Return the statistics of a shard's tidy homes of `files` (Parquet, in order of arrival) and what is left.

    `files` are all that may hold a row of the shard; rows of other homes are none of its business.
    `limits` is `Registers.site_limits`, `sky` is `daystats.site_sky`, both of the shard's homes. Copies of left rows
    are written into `workdir`, which must be empty.
    """
    fleet = fleet_of(con, limits, sky, day, settings)
    # A staged copy holds rows refused already and the source's own row numbers: the SQL knows them.
    every: dict[LakeFile, Runs] = {}
    for file, path in files.items():
        runs = runs_of(path, path == file.path, shard)
        if runs is None:  # whose rows it holds can't be told
            return TidyDay(pl.DataFrame(), pl.DataFrame(), 0, frozenset(files), dict(files))
        every[file] = runs
    alone = fleet.sites.join(once(every.values()).to_frame(), on="site_id", how="semi")
    blocks, rows = [], 0
    left: dict[LakeFile, Path] = {}
    for number, (file, path) in enumerate(files.items()):
        runs = every[file]
        taken = _take_file(number, path, runs, alone, fleet, workdir) if runs.is_sorted else None
        if taken is None:
            left[file] = path
            continue
        blocks += taken.blocks
        rows += taken.rows
        if taken.left is not None:
            left[file] = taken.left
    return TidyDay(day_frame(blocks, fleet), hour_frame(blocks, fleet), rows, frozenset(files), left)


@dataclass
class _Taken:
    """Blocks of homes; their rows; where what is left of the file is."""

    blocks: list[Found]
    rows: int
    left: Path | None


def _take_file(
    number: int, path: Path, runs: Runs, alone: pl.DataFrame, fleet: Fleet, workdir: Path
) -> _Taken | None:
    """Return what a file's tidy homes give; None if it can't be read to its end, or holds none."""
    found = runs.frame.join(alone, on="site_id", how="left", maintain_order="left")
    key = found["key"].fill_null(-1).to_numpy()
    rows, is_mine = found["rows"].to_numpy(), found["is_mine"].to_numpy()
    if not (key >= 0).any():
        return None
    taken = _Taken([], 0, None)
    target = workdir / f"left-{number:05d}.parquet"
    writer: pq.ParquetWriter | None = None
    try:
        for first_row, table, mine, start in _stretches(path, rows, runs):
            is_left = is_mine[mine].copy()
            known = np.flatnonzero(key[mine] >= 0)
            runs_known = start[known], rows[mine][known], key[mine][known]
            is_good = _work_out(block_of(table, fleet.day_us), *runs_known, fleet, taken)
            is_left[known[is_good]] = False
            if is_left.any():
                rest = _rest(table, np.repeat(is_left, rows[mine]), first_row)
                writer = writer or pq.ParquetWriter(target, rest.schema, compression="lz4")
                writer.write_table(rest)
    except READ_ERRORS:
        return None
    finally:
        if writer is not None:
            writer.close()
    taken.left = target if writer is not None else None
    return taken


def _stretches(
    path: Path, rows: NDArray[np.int64], runs: Runs
) -> Iterator[tuple[int, pa.Table, NDArray[np.int64], NDArray[np.int64]]]:
    """Yield (first row, table, runs, their first rows in the table): whole runs only, about a row group at a time."""
    ends = np.cumsum(rows)
    first_run, first_row = 0, 0  # of the row groups that are read
    held: pa.Table | None = None
    file = pq.ParquetFile(path, read_dictionary=["site_id"])
    names = [name for name in ("site_id", "interval_start", *CHANNELS) if name in file.schema_arrow.names]
    for batch in file.iter_batches(
        _BATCH_ROWS, row_groups=list(runs.groups), columns=names, use_threads=False
    ):
        table = pa.Table.from_batches([batch])
        held = table if held is None else pa.concat_tables([held, table])
        after = int(np.searchsorted(ends, first_row + held.num_rows, side="right"))
        if after > first_run:
            mine = np.arange(first_run, after)
            size = int(ends[after - 1]) - first_row
            start = ends[mine] - rows[mine] - first_row
            yield runs.rows_before + first_row, held.slice(0, size), mine, start
            held = held.slice(size)
            first_run, first_row = after, first_row + size
    if held is not None and held.num_rows:
        raise ValueError(f"{path}: rows do not add up")


def _rest(table: pa.Table, is_left: NDArray[np.bool_], first_row: int) -> pa.Table:
    """Return the rows left over as staging leaves a file: with their row number in the source."""
    at = np.flatnonzero(is_left)
    kept = table.take(at)
    kept = kept.set_column(0, "site_id", kept["site_id"].cast(pa.string()))
    start = kept["interval_start"]
    kept = kept.set_column(1, "interval_start", start.cast(pa.timestamp("us", start.type.tz)))
    return kept.append_column("_staged_no", pa.array(at + first_row + 1, pa.int64()))


def _work_out(block: Block, start: Int, rows: Int, home: Int, fleet: Fleet, taken: _Taken) -> Bool:
    """Take the runs that can be; return which these are."""
    length = check_homes(
        start, rows, home, block.channels, block.minute, fleet.limits, fleet.default_length_min
    )
    is_good: Bool = (length > 0) & ~block.has_bad(start, rows)
    good = np.flatnonzero(is_good)
    if good.size:
        lengths, line = np.unique(length[good], return_inverse=True)
        found = work_out(
            start[good], rows[good], home[good], block.channels, block.minute, length[good], line,
            fleet.sky, fleet.suns.of(lengths), fleet.lines,
        )  # fmt: skip
        taken.blocks.append(Found(home[good], *found))
        taken.rows += int(rows[good].sum())
    return is_good

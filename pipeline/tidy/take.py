"""Takes the tidy homes of a day's files; what is left over goes through the day's SQL."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl
import polars.selectors as cs
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from pipeline import contract, warehouse
from pipeline.daystats import day_params
from pipeline.lake import LakeFile
from pipeline.settings import Settings
from pipeline.shards import Shard
from pipeline.tidy.block import Limits, grids
from pipeline.tidy.grid import CHANNELS, Float, Grid, Sky, regime
from pipeline.tidy.level import hours, levels
from pipeline.tidy.ramp import ramps
from pipeline.tidy.runs import READ_ERRORS, Runs, once, runs_of
from pipeline.tidy.step import meter, steps

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


@dataclass(frozen=True)
class _Fleet:
    sites: pl.DataFrame  # site_id, key
    ids: pl.Series
    register_key: pl.Series
    sky: Sky
    limits: Limits
    params: Mapping[str, Any]
    day: date
    suns: _Suns


class _Suns:
    """Table sun_time by minute of the day for an interval length, worked out once a length."""

    def __init__(self, con: duckdb.DuckDBPyConnection, day: date) -> None:
        self._con, self._day = con, day
        self._known: dict[float, dict[str, Float]] = {}

    def of(self, length_min: float) -> dict[str, Float]:
        if length_min not in self._known:
            first = datetime(self._day.year, self._day.month, self._day.day)
            starts = pl.datetime_range(first, first.replace(hour=23, minute=59), "1m", eager=True)
            times = pl.DataFrame({"interval_start": starts}).with_columns(length_min=pl.lit(length_min))
            self._con.register("interval_time", times.to_arrow())
            sun = warehouse.query(self._con, "sun_time", {}).sort("interval_start")
            self._con.unregister("interval_time")
            self._known[length_min] = {
                name: sun[name].to_numpy()
                for name in ("sin_declination", "cos_declination", "greenwich_hour_angle_rad")
            }
        return self._known[length_min]


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
    fleet = _fleet(con, limits, sky, day, settings)
    # A staged copy holds rows refused already and the source's own row numbers: the SQL knows them.
    every: dict[LakeFile, Runs] = {}
    for file, path in files.items():
        runs = runs_of(path, path == file.path, shard)
        if runs is None:  # whose rows it holds can't be told
            return TidyDay(pl.DataFrame(), pl.DataFrame(), 0, frozenset(files), dict(files))
        every[file] = runs
    alone = fleet.sites.join(once(every.values()).to_frame(), on="site_id", how="semi")
    days, hourly, rows = [], [], 0
    left: dict[LakeFile, Path] = {}
    for number, (file, path) in enumerate(files.items()):
        runs = every[file]
        taken = _take_file(number, path, runs, alone, fleet, workdir) if runs.is_sorted else None
        if taken is None:
            left[file] = path
            continue
        days += taken.days
        hourly += taken.hours
        rows += taken.rows
        if taken.left is not None:
            left[file] = taken.left
    return TidyDay(_day_frame(days, fleet), _hour_frame(hourly, fleet), rows, frozenset(files), left)


def _day_frame(blocks: list[Columns], fleet: _Fleet) -> pl.DataFrame:
    """Return the homes' columns of site_day, all blocks together: a frame a block would cost more than its numbers."""
    if not blocks:
        return pl.DataFrame()
    columns = {name: np.concatenate([block[name] for block in blocks]) for name in blocks[0]}
    key = columns.pop("key")
    head = [
        fleet.ids.gather(key).alias("site_id"),
        fleet.register_key.gather(key).alias("register_key"),
    ]
    numbers = pl.DataFrame(columns).with_columns(cs.float().fill_nan(None))
    return pl.DataFrame(head).with_columns(pl.lit(fleet.day).alias("day")).hstack(numbers.get_columns())


def _hour_frame(blocks: list[Columns], fleet: _Fleet) -> pl.DataFrame:
    """Return the homes' columns of site_hour, all blocks together."""
    if not blocks:
        return pl.DataFrame()
    columns = {name: np.concatenate([block[name] for block in blocks]) for name in blocks[0]}
    ids = fleet.ids.gather(columns.pop("key")).alias("site_id")
    midnight = pl.lit(datetime(fleet.day.year, fleet.day.month, fleet.day.day))
    start = midnight + pl.duration(hours=pl.col("hour"))
    means = [name for name in columns if name != "hour"]
    return (
        pl.DataFrame(columns)
        .with_columns(cs.float().fill_nan(None).cast(pl.Float32))
        .select(ids, start.alias("hour_start"), *means)
    )


def _fleet(
    con: duckdb.DuckDBPyConnection, limits: pl.DataFrame, sky: pl.DataFrame, day: date, settings: Settings
) -> _Fleet:
    held = limits.select("site_id", "leg_max_w", "pv_max_w")
    sky = sky.join(held, on="site_id", how="left", maintain_order="left")

    def numbers(name: str) -> Float:
        return sky[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()

    return _Fleet(
        sky.select("site_id", key=pl.int_range(pl.len(), dtype=pl.Int64)),
        sky["site_id"],
        sky["register_key"],
        Sky(
            numbers("sin_lat"), numbers("cos_lat"), numbers("lon_rad"), sky["is_load_side"].to_numpy(),
            numbers("pv_quiet_w"), numbers("ramp_w"),
        ),
        Limits(numbers("leg_max_w"), numbers("pv_max_w"), contract.interval_ranges()),
        day_params(settings.day, day),
        day,
        _Suns(con, day),
    )  # fmt: skip


Columns = dict[str, NDArray[Any]]


@dataclass
class _Taken:
    """Blocks of homes as columns by name, `key` among them; their rows; where what is left of the file is."""

    days: list[Columns]
    hours: list[Columns]
    rows: int
    left: Path | None


def _take_file(
    number: int, path: Path, runs: Runs, alone: pl.DataFrame, fleet: _Fleet, workdir: Path
) -> _Taken | None:
    """Return what a file's tidy homes give; None if it can't be read to its end, or holds none."""
    found = runs.frame.join(alone, on="site_id", how="left", maintain_order="left")
    key = found["key"].fill_null(-1).to_numpy()
    rows, is_mine = found["rows"].to_numpy(), found["is_mine"].to_numpy()
    if not (key >= 0).any():
        return None
    taken = _Taken([], [], 0, None)
    target = workdir / f"left-{number:05d}.parquet"
    writer: pq.ParquetWriter | None = None
    try:
        for first_row, table, mine, start in _stretches(path, rows, runs):
            is_left = is_mine[mine].copy()
            known = np.flatnonzero(key[mine] >= 0)
            for good, grid in grids(
                table, start[known], rows[mine][known], key[mine][known],
                int(datetime(fleet.day.year, fleet.day.month, fleet.day.day, tzinfo=UTC).timestamp()) * 1_000_000,
                fleet.limits, fleet.params["default_length_min"],
            ):  # fmt: skip
                _work_out(grid, key[mine][known][good], fleet, taken)
                is_left[known[good]] = False
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


def _work_out(grid: Grid, key: NDArray[np.int64], fleet: _Fleet, taken: _Taken) -> None:
    whole = fleet.sky
    sky = Sky(
        whole.sin_lat[key], whole.cos_lat[key], whole.lon_rad[key], whole.is_load_side[key],
        whole.pv_quiet_w[key], whole.ramp_w[key],
    )  # fmt: skip
    params = dict(fleet.params)
    told = regime(grid, sky, fleet.suns.of(grid.length_min), params)
    columns = levels(told, params) | steps(told, params) | ramps(told, params) | meter(told)
    taken.days.append({"key": key, **columns})
    home, hour, means = hours(told)
    taken.hours.append({"key": key[home], "hour": hour, **means})
    taken.rows += int(grid.is_row.sum())

"""The tasks that a day of the lake comes in: open some files, check a shard's days, work a shard out.

Each task carries all it needs and may be done by another process, or twice: what it leaves is the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path

import duckdb
import polars as pl

from pipeline.core import sql_runner
from pipeline.core.disk_errors import is_disk_full, tell_failure
from pipeline.core.errors import NightFailed
from pipeline.core.settings import Settings
from pipeline.core.sharding import Shard, StoredTable, homes_of
from pipeline.features.day_counts import DayCounts
from pipeline.features.day_store import Store
from pipeline.features.kernels.day_tables import day_tables
from pipeline.ingest.intervals import take_homes
from pipeline.ingest.lake import Lake, LakeFile
from pipeline.ingest.opened_files import Opened, open_files


@dataclass(frozen=True)
class FilesToOpen:
    """Numbered files of a day, to be made readable; copies go into `folder`, which all share.

    With `probe` each is read to its end, to find out which of them is damaged.
    """

    lake: Lake
    day: date
    fingerprint: str
    files: tuple[tuple[int, LakeFile], ...]
    required: tuple[str, ...]
    folder: Path
    in_place: bool
    probe: bool


@dataclass(frozen=True)
class ShardToCheck:
    """A shard of homes and the days, with their digests, that the store has of it."""

    shard: Shard
    days: tuple[tuple[date, str], ...]
    sky: StoredTable
    store: Store


@dataclass(frozen=True)
class ShardToTake:
    """A shard of a day's homes, to be worked out into the store; `opened` are the files that may hold their rows.

    They are `probed` if each was read to its end.
    """

    lake: Lake
    day: date
    as_of: date
    fingerprint: str
    digest: str
    files: int
    opened: tuple[Opened, ...]
    shard: Shard
    limits: StoredTable
    sky: StoredTable
    store: Store
    settings: Settings
    folder: Path
    probed: bool


def open_some(con: duckdb.DuckDBPyConnection, task: FilesToOpen) -> list[Opened] | None:
    """Return the files as they can be read; None if the day's files are no longer those of the fingerprint."""
    try:
        files = [(number, task.lake.bring_one(file, task.folder, number)) for number, file in task.files]
        return open_files(
            con, files, task.lake.config.intervals, required=task.required, workdir=task.folder,
            in_place=task.in_place, probe=task.probe,
        )  # fmt: skip
    except OSError:
        if task.lake.fingerprint(task.day) != task.fingerprint:
            return None
        raise


def check_days(con: duckdb.DuckDBPyConnection, task: ShardToCheck) -> dict[date, DayCounts]:
    """Return the counts of the days on which the shard stands in the store as it would be worked out now.

    The others are not there, spoilt, or had a home that was another than the register says now, or wasn't in it.
    """
    store, shard = task.store, task.shard
    there = [(day, digest) for day, digest in task.days if store.has(day, digest, shard)]
    if not there:
        return {}
    sky = task.sky.of(shard)
    known = set(sky["site_id"])
    con.register("site_sky", sky.to_arrow())
    stale = _moved(con, {day: store.path("site_day", day, digest, shard) for day, digest in there})
    con.unregister("site_sky")
    complete = {day: store.counts(day, digest, shard) for day, digest in there if day not in stale}
    return {day: counts for day, counts in complete.items() if not known.intersection(counts.unknown_homes)}


def _moved(con: duckdb.DuckDBPyConnection, files: dict[date, Path]) -> set[date]:
    """Return the days on which a home was another than it is now, and those whose file can't be read."""
    try:
        named = [sql_runner.as_named(path) for path in files.values()]
        return set(sql_runner.query(con, "site_day_moved", {"day_files": named})["day"])
    except duckdb.Error:
        if len(files) == 1:
            return set(files)
        return {day for day, path in files.items() if _moved(con, {day: path})}


def take_shard(con: duckdb.DuckDBPyConnection, task: ShardToTake) -> DayCounts | None:
    """Work a shard of a day out into the store; None, and nothing written, if its files have to be opened again.

    That is where the day's files changed meanwhile, since what was read may be half of the one and half of the other,
    and where one of them, not probed, can't be read.

    Raises
    ------
    NightFailed
        The rows can't be read, or the counts don't add up.
    """
    shard, settings = task.shard, task.settings
    limits, sky = task.limits.of(shard), task.sky.of(shard)
    try:
        with homes_of(con, shard):
            intake, made = take_homes(
                con,
                task.lake,
                task.day,
                as_of=task.as_of,
                opened=task.opened,
                limits=limits,
                shard=shard,
                workdir=task.folder,
                work=lambda rows: day_tables(con, rows, sky, day=task.day, settings=settings.day),
            )
    except (duckdb.Error, OSError, NightFailed) as error:
        if is_disk_full(error):
            raise NightFailed(f"{tell_failure(error, task.folder)}; nothing was published") from error
        if task.lake.fingerprint(task.day) != task.fingerprint:
            return None
        if isinstance(error, duckdb.Error):
            if not task.probed:
                return None
            message = " ".join(str(error).split())[:300]
            where = f"{task.lake.root}/intervals/date={task.day}"
            raise NightFailed(f"{where}: {message}; nothing was published") from error
        raise
    if task.lake.fingerprint(task.day) != task.fingerprint:
        return None
    counts = DayCounts(
        intake.rows_in, intake.used, intake.duplicate, intake.rejected, task.files, intake.unknown_homes,
        made.line_day["site_id"].n_unique(),
    )  # fmt: skip
    (rejects,) = intake.reject_files
    tables: dict[str, pl.DataFrame | Path] = {**made._asdict(), "reject": rejects}
    task.store.put(task.day, task.digest, shard, tables, counts)
    return counts

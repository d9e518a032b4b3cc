"""Takes one UTC day of the lake in: each row ends up used, a duplicate or a reject with its reason."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any, TypeVar

import duckdb
import polars as pl

from pipeline.core import contract, sql_runner
from pipeline.core.atomic_files import write_parquet
from pipeline.core.errors import NightFailed
from pipeline.core.settings import Settings
from pipeline.core.sharding import Shard, cut, homes_of
from pipeline.ingest.lake import Lake, LakeFile
from pipeline.ingest.normalize import STAGED
from pipeline.ingest.opened_files import Opened, by_line_of, close_day, open_day, point_at
from pipeline.ingest.registers import Registers
from pipeline.ingest.used_rows import OutOfOrder, RowStream, UsedRows

T = TypeVar("T")

COUNTS = ("rows_in", "used", "duplicate", "rejected")


@dataclass(frozen=True)
class DayIntake:
    """What came in on `day`; rows_in = used + duplicate + rejected.

    `reject_files` (the contract's Reject, in the workdir) have a row for each rejected row and, with null source_row,
    one for each file that could not be read: its rows can't be counted. `unknown_homes` are the site ids that rows were
    rejected for because no register knows them. `files` are those that were listed, in order.
    """

    day: date
    rows_in: int
    used: int
    duplicate: int
    rejected: int
    reject_files: tuple[Path, ...]
    unknown_homes: tuple[str, ...]
    files: Sequence[LakeFile] = ()


def load_day(
    con: duckdb.DuckDBPyConnection,
    lake: Lake,
    day: date,
    *,
    registers: Registers,
    settings: Settings,
    workdir: Path,
) -> DayIntake:
    """Leave the good rows of `day` as the DuckDB table interval_used, and site_register beside it.

    Of several good rows for one home and start the last that arrived wins: later file (modification time,
    then name), then later row. Staged copies are written into `workdir` and removed.

    Parameters
    ----------
    con
        The DuckDB to read with.
    lake
        The lake.
    day
        The UTC day.
    registers
        The registers; their site_key numbers the homes.
    settings
        Section [lake] is used.
    workdir
        Folder for staged copies, which are removed, and rejects.

    Raises
    ------
    NightFailed
        The counts don't add up.
    """
    whole_fleet = max(registers.sites.height, 1)
    return total(
        load_shards(
            con, lake, day, registers=registers, settings=settings, workdir=workdir, homes_at_once=whole_fleet
        )
    )


def load_shards(
    con: duckdb.DuckDBPyConnection,
    lake: Lake,
    day: date,
    *,
    registers: Registers,
    settings: Settings,
    workdir: Path,
    homes_at_once: int | None = None,
) -> Iterator[DayIntake]:
    """Like `load_day`, but some homes at a time, so that a big fleet fits in memory.

    Each turn leaves interval_used with the rows of its own homes only; `total` adds the counts up.

    Parameters
    ----------
    con, lake, day, registers, settings, workdir
        As `load_day` takes them.
    homes_at_once
        Most homes of a turn; None: [lake] homes_per_shard.
    """
    workdir.mkdir(parents=True, exist_ok=True)
    files = lake.bring(lake.files(day), workdir)
    required = contract.required("intervals", are_all_single=registers.are_all_single)
    opened = open_day(con, files, lake.config.intervals, required=required, workdir=workdir)
    limits = registers.site_limits(settings.lake)
    for shard in cut(registers.sites["site_id"], homes_at_once or settings.lake.homes_per_shard):
        with homes_of(con, shard):
            read, unread = _register(con, opened, limits, shard, workdir)
            params = {"day": day, "as_of": registers.as_of, **contract.interval_ranges()}
            intake = _intake(con, lake, day, params, _sort(con, params), read, unread, workdir)
            yield replace(intake, files=files)
    close_day(opened)
    lake.drop(files)


def total(parts: Iterable[DayIntake]) -> DayIntake:
    """Return the intake of a whole day from that of its shards."""
    intakes = list(parts)
    counts = {name: sum(getattr(part, name) for part in intakes) for name in COUNTS}
    rejects = tuple(file for part in intakes for file in part.reject_files)
    unknown = sorted({home for part in intakes for home in part.unknown_homes})
    return DayIntake(
        intakes[0].day, **counts, reject_files=rejects, unknown_homes=tuple(unknown), files=intakes[0].files
    )


def take_homes(
    con: duckdb.DuckDBPyConnection,
    lake: Lake,
    day: date,
    *,
    as_of: date,
    opened: Sequence[Opened],
    limits: pl.DataFrame,
    shard: Shard,
    workdir: Path,
    work: Callable[[Iterable[UsedRows]], T],
) -> tuple[DayIntake, T]:
    """Give `work` the good rows of a shard's homes; return what came in and what it makes of them.

    Rows that stand in the files in order go through as they are read; otherwise DuckDB sorts the shard's first, and
    `work` is called a second time. `opened` are the day's files in order; those that can't hold a row
    of the shard may be left out. To be called within `homes_of(con, shard)`. What can't be read is told by the first
    shard.

    Parameters
    ----------
    con
        The DuckDB to read with.
    lake
        The lake.
    day
        The UTC day.
    as_of
        The as-of day; later rows are refused.
    opened
        The day's files in order.
    limits
        `Registers.site_limits` of the shard's homes.
    shard
        The homes.
    workdir
        Folder for the rejects.
    work
        Makes something of the rows; called again if they had to be sorted.
    """
    read, unread = _register(con, opened, limits, shard, workdir)
    params = {"day": day, "as_of": as_of, **contract.interval_ranges()}
    checked = sql_runner.relation(con, "interval_checked", params)
    more = contract.THIRD_LINE if by_line_of(opened) & set(contract.THIRD_LINE) else ()
    rows = RowStream(checked, more=more)
    try:
        result = work(rows)
    except OutOfOrder:
        rows = RowStream(checked.order("key_us, arrival"), more=more)
        result = work(rows)
    if rows.rejected:
        sql_runner.keep(con, checked.filter("reason IS NOT NULL"), "interval_checked")
    counts = {name: getattr(rows, name) for name in COUNTS}
    return _intake(con, lake, day, params, counts, read, unread, workdir), result


def _register(
    con: duckdb.DuckDBPyConnection,
    opened: Sequence[Opened],
    limits: pl.DataFrame,
    shard: Shard,
    workdir: Path,
) -> tuple[list[LakeFile], pl.DataFrame]:
    """Make interval_read see the files; return those it reads, and the rejects of those it can't."""
    con.register("interval_template", pl.DataFrame(schema=STAGED).to_arrow())
    con.register("site_register", limits.to_arrow())
    read = [opened_file for opened_file in opened if opened_file.path]
    paths = [opened_file.path for opened_file in read if opened_file.path]
    if not paths:
        paths = [workdir / f"nothing-{shard.name}.parquet"]
        write_parquet(paths[0], pl.DataFrame(schema=STAGED), is_synced=False)
    point_at(con, paths, by_line=by_line_of(read))
    unread = (
        [(opened_file.file.name, None, opened_file.why, None) for opened_file in opened if opened_file.why]
        if shard.is_first
        else []
    )
    return [opened_file.file for opened_file in read], contract.rejects(unread)


def _sort(con: duckdb.DuckDBPyConnection, params: Mapping[str, Any]) -> dict[str, int]:
    """Leave the rows as the tables interval_checked and interval_used; return how many there are of each kind."""
    for table in ("interval_checked", "interval_used"):
        sql_runner.build(con, table, params)
    return sql_runner.query(con, "interval_count", params).row(0, named=True)


def _intake(
    con: duckdb.DuckDBPyConnection,
    lake: Lake,
    day: date,
    params: Mapping[str, Any],
    counts: dict[str, int],
    read: list[LakeFile],
    unread: pl.DataFrame,
    workdir: Path,
) -> DayIntake:
    """Write the rejects among interval_checked, drop that table, and return what came in."""
    if counts["rows_in"] != counts["used"] + counts["duplicate"] + counts["rejected"]:
        counts_text = ", ".join(f"{name} {count}" for name, count in counts.items())
        raise NightFailed(f"{lake.root}: the rows of {day} don't add up ({counts_text}); run the night again")
    rejects, unknown = workdir / f"reject-{uuid.uuid4().hex[:8]}.parquet", pl.Series(dtype=pl.String)
    if counts["rejected"]:
        names = pl.DataFrame(
            {"file_no": range(len(read)), "source_file": [file.name for file in read]},
            schema={"file_no": pl.Int32, "source_file": pl.String},
        )
        con.register("interval_file", names.to_arrow())
        con.register("interval_unread", unread.with_row_index("place").to_arrow())
        sql_runner.write(con, "interval_reject", params, path=rejects)
        unknown = sql_runner.query(con, "interval_unknown", params)["site_id"]
    else:  # as most shards are: no query is planned
        write_parquet(rejects, unread, is_synced=False)
    con.execute("DROP TABLE IF EXISTS interval_checked")
    return DayIntake(
        day, counts["rows_in"], counts["used"], counts["duplicate"], counts["rejected"], (rejects,), tuple(unknown)
    )  # fmt: skip

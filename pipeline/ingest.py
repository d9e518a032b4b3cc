"""Takes one UTC day of the lake in: each row ends up used, a duplicate or a reject with its reason."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import duckdb
import polars as pl
import pyarrow.parquet as pq

from pipeline import contract, warehouse
from pipeline.conform import STAGED
from pipeline.delimited import UnusableFileError
from pipeline.errors import NightFailed
from pipeline.lake import Lake, LakeFile
from pipeline.mapping import Intervals
from pipeline.registers import Registers
from pipeline.settings import Settings
from pipeline.staging import has_nanoseconds, prepare

# Takes some of the files' rows before the SQL does, and returns where what is left of each file is.
TakeFirst = Callable[[dict[LakeFile, Path]], dict[LakeFile, Path]]
_ROWS_A_HOME = 288  # a day at 5 minutes: so many rows times the homes of a shard are worked off at once
_COUNTS = ("rows_in", "used", "duplicate", "rejected")


@dataclass(frozen=True)
class DayIntake:
    """What came in on `day`; rows_in = used + duplicate + rejected.

    `rejects` (the contract's Reject) has a row for each rejected row and, with null source_row, one for each
    file that could not be read: its rows can't be counted. `files` are those that were listed, in order.
    """

    day: date
    rows_in: int
    used: int
    duplicate: int
    rejected: int
    rejects: pl.DataFrame
    files: list[LakeFile]


def load_day(
    con: duckdb.DuckDBPyConnection,
    lake: Lake,
    day: date,
    registers: Registers,
    settings: Settings,
    workdir: Path,
) -> DayIntake:
    """Leave the good rows of `day` as the DuckDB table interval_used, and site_register beside it.

    Of several good rows for one home and start the last that arrived wins: later file (modification time,
    then name), then later row. Staged copies are written into `workdir` and removed.

    Raises
    ------
    NightFailed
        The counts don't add up.
    """
    everyone = max(registers.sites.height, 1)
    return total(_shards(con, lake, day, registers, settings, workdir, everyone, _nothing_first))


def load_shards(
    con: duckdb.DuckDBPyConnection,
    lake: Lake,
    day: date,
    registers: Registers,
    settings: Settings,
    workdir: Path,
    take_first: TakeFirst | None = None,
) -> Iterator[DayIntake]:
    """Like `load_day`, but [lake] homes_per_shard homes at a time, so that a big fleet fits in memory.

    Each turn leaves interval_used with the rows of its own homes only; `total` adds the counts up. What `take_first`
    takes is used and the caller's to count.
    """
    homes = settings.lake.homes_per_shard
    return _shards(con, lake, day, registers, settings, workdir, homes, take_first or _nothing_first)


def _shards(
    con: duckdb.DuckDBPyConnection,
    lake: Lake,
    day: date,
    registers: Registers,
    settings: Settings,
    workdir: Path,
    homes: int,
    take_first: TakeFirst,
) -> Iterator[DayIntake]:
    workdir.mkdir(parents=True, exist_ok=True)
    files = lake.bring(lake.files(day), workdir)
    con.register("site_register", registers.site_limits(settings.lake).to_arrow())
    con.register("interval_template", pl.DataFrame(schema=STAGED).to_arrow())
    ready, unread = _prepared(con, lake, files, registers, workdir, take_first)
    if sum(pq.read_metadata(path).num_rows for path in ready.values()) <= homes * _ROWS_A_HOME:
        homes = max(registers.sites.height, 1)
    starts = [None, *registers.sites["site_id"].gather_every(homes)[1:].to_list()]
    for first, before in zip(starts, [*starts[1:], None], strict=True):
        warehouse.set_variables(con, first_home=first, before_home=before)
        yield _take(con, lake, day, registers.as_of, files, list(ready), contract.rejects(unread))
        unread = []
    for path in set(ready.values()) - {file.path for file in files}:
        path.unlink()
    lake.drop(files)


def total(parts: Iterable[DayIntake]) -> DayIntake:
    """Return the intake of a whole day from that of its shards."""
    every = list(parts)
    counts = {name: sum(getattr(part, name) for part in every) for name in _COUNTS}
    rejects = pl.concat([part.rejects for part in every])
    return DayIntake(every[0].day, **counts, rejects=rejects, files=every[0].files)


def _take(
    con: duckdb.DuckDBPyConnection,
    lake: Lake,
    day: date,
    as_of: date,
    files: list[LakeFile],
    read: list[LakeFile],
    unread: pl.DataFrame,
) -> DayIntake:
    params = {"day": day, "as_of": as_of, **contract.interval_ranges()}
    for table in ("interval_checked", "interval_used"):
        warehouse.build(con, table, params)
    counts = warehouse.query(con, "interval_count", params).row(0, named=True)
    if counts["rows_in"] != counts["used"] + counts["duplicate"] + counts["rejected"]:
        told = ", ".join(f"{name} {count}" for name, count in counts.items())
        raise NightFailed(f"{lake.root}: the rows of {day} don't add up ({told}); run the night again")
    names = pl.DataFrame(
        {"file_no": range(len(read)), "source_file": [file.name for file in read]},
        schema={"file_no": pl.Int32, "source_file": pl.String},
    )
    rows = warehouse.query(con, "interval_reject", params).join(names, on="file_no", maintain_order="left")
    con.execute("DROP TABLE interval_checked")
    rejects = pl.concat([unread, rows.select(pl.Schema(contract.Reject).names())])
    return DayIntake(day, **counts, rejects=rejects, files=files)


def _nothing_first(ready: dict[LakeFile, Path]) -> dict[LakeFile, Path]:
    return ready


def _prepared(
    con: duckdb.DuckDBPyConnection,
    lake: Lake,
    files: list[LakeFile],
    registers: Registers,
    workdir: Path,
    take_first: TakeFirst,
) -> tuple[dict[LakeFile, Path], list[tuple[str, int | None, str, str | None]]]:
    """Return what can be read and is left, as Parquet, and a reject for each file that can't be."""
    required = contract.required("intervals", are_all_single=registers.are_all_single)
    ready: dict[LakeFile, Path] = {}
    unread: list[tuple[str, int | None, str, str | None]] = []
    for number, file in enumerate(files):
        try:
            ready[file] = prepare(file, lake.mapping.intervals, required, workdir, number)
        except UnusableFileError as error:
            unread.append((file.name, None, f"the file {error}", None))
    left = take_first(ready)
    ready = {}
    for file, path in left.items():
        try:
            _point_at(con, [path])
            warehouse.query(con, "interval_probe", {})
        except duckdb.Error as error:
            told = " ".join(str(error).split())[:200]
            unread.append((file.name, None, f"the file cannot be read ({told}); send it again, whole", None))
        else:
            ready[file] = path
    order = [file.name for file in files]
    unread.sort(key=lambda told: order.index(told[0]))
    _settle_nanoseconds(ready, lake.mapping.intervals, required, workdir, len(files))
    nothing = workdir / "nothing.parquet"
    pl.DataFrame(schema=STAGED).write_parquet(nothing)
    _point_at(con, list(ready.values()) or [nothing])
    return ready, unread


def _settle_nanoseconds(
    ready: dict[LakeFile, Path], how: Intervals, required: tuple[str, ...], workdir: Path, first_free: int
) -> None:
    """Stage the files that count in ns beside others that don't: read together, all would be counted in ns."""
    fine = [file for file, path in ready.items() if path == file.path and has_nanoseconds(path)]
    if len(fine) < len(ready):
        for number, file in enumerate(ready):
            if file in fine:
                ready[file] = prepare(
                    file, how, required, workdir, first_free + number, may_be_in_place=False
                )


def _point_at(con: duckdb.DuckDBPyConnection, paths: list[Path]) -> None:
    """Make the view interval_read read these files, of every home."""
    warehouse.set_variables(
        con, interval_files=[warehouse.as_named(path) for path in paths], first_home=None, before_home=None
    )
    con.sql(warehouse.sql_text("interval_read")).create_view("interval_read", replace=True)

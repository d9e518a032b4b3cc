"""Takes one UTC day of the lake in: each row ends up used, a duplicate or a reject with its reason."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import duckdb
import polars as pl

from pipeline import contract, warehouse
from pipeline.conform import STAGED
from pipeline.delimited import UnusableFileError
from pipeline.errors import NightFailed
from pipeline.lake import Lake, LakeFile
from pipeline.mapping import Intervals
from pipeline.registers import Registers
from pipeline.settings import Settings
from pipeline.staging import has_nanoseconds, prepare

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
    return total(_shards(con, lake, day, registers, settings, workdir, everyone))


def load_shards(
    con: duckdb.DuckDBPyConnection,
    lake: Lake,
    day: date,
    registers: Registers,
    settings: Settings,
    workdir: Path,
) -> Iterator[DayIntake]:
    """Like `load_day`, but [lake] homes_per_shard homes at a time, so that a big fleet fits in memory.

    Each turn leaves interval_used with the rows of its own homes only; `total` adds the counts up.
    """
    return _shards(con, lake, day, registers, settings, workdir, settings.lake.homes_per_shard)


def _shards(
    con: duckdb.DuckDBPyConnection,
    lake: Lake,
    day: date,
    registers: Registers,
    settings: Settings,
    workdir: Path,
    homes: int,
) -> Iterator[DayIntake]:
    workdir.mkdir(parents=True, exist_ok=True)
    files = lake.bring(lake.files(day), workdir)
    con.register("site_register", registers.site_limits(settings.lake).to_arrow())
    con.register("interval_template", pl.DataFrame(schema=STAGED).to_arrow())
    ready, unread = _prepared(con, lake, files, registers, workdir)
    starts = [None, *registers.sites["site_id"].gather_every(homes)[1:].to_list()]
    for first, before in zip(starts, [*starts[1:], None], strict=True):
        _set(con, first_home=first, before_home=before)
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


def _prepared(
    con: duckdb.DuckDBPyConnection, lake: Lake, files: list[LakeFile], registers: Registers, workdir: Path
) -> tuple[dict[LakeFile, Path], list[tuple[str, int | None, str, str | None]]]:
    """Return what can be read, as Parquet, and a reject for each file that can't be."""
    required = contract.required("intervals", are_all_single=registers.are_all_single)
    ready: dict[LakeFile, Path] = {}
    unread: list[tuple[str, int | None, str, str | None]] = []
    for number, file in enumerate(files):
        try:
            path = prepare(file, lake.mapping.intervals, required, workdir, number)
            _point_at(con, [path])
            warehouse.query(con, "interval_probe", {})
        except UnusableFileError as error:
            unread.append((file.name, None, f"the file {error}", None))
        except duckdb.Error as error:
            told = " ".join(str(error).split())[:200]
            unread.append((file.name, None, f"the file cannot be read ({told}); send it again, whole", None))
        else:
            ready[file] = path
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
    _set(con, interval_files=[warehouse.as_named(path) for path in paths], first_home=None, before_home=None)
    con.sql(warehouse.sql_text("interval_read")).create_view("interval_read", replace=True)


def _set(con: duckdb.DuckDBPyConnection, **variables: object) -> None:
    for name, value in variables.items():
        con.execute(f"SET VARIABLE {name} = $value", {"value": value})

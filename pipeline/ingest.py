"""Takes one UTC day of the lake in: each row ends up used, a duplicate or a reject with its reason."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path

import duckdb
import polars as pl

from pipeline import contract, warehouse
from pipeline.conform import STAGED
from pipeline.delimited import UnusableFile
from pipeline.errors import NightFailed
from pipeline.lake import Lake, LakeFile
from pipeline.registers import Registers
from pipeline.settings import Settings
from pipeline.staging import prepare


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
    required = contract.required("intervals", are_all_single=registers.are_all_single)
    workdir.mkdir(parents=True, exist_ok=True)
    files = lake.files(day)
    ready: dict[LakeFile, Path] = {}
    unread: list[tuple[str, int | None, str, str | None]] = []
    for number, file in enumerate(files):
        try:
            ready[file] = prepare(file, lake.mapping.intervals, required, workdir, number)
        except UnusableFile as error:
            unread.append((file.name, None, f"the file {error}", None))
    con.register("site_register", registers.site_limits(settings.lake).to_arrow())
    con.register("interval_template", pl.DataFrame(schema=STAGED).to_arrow())
    unread += _read(con, ready, workdir)
    params = {"day": day, "as_of": registers.as_of, **contract.interval_ranges()}
    warehouse.build(con, "interval_checked", params)
    warehouse.build(con, "interval_used", params)
    counts = warehouse.query(con, "interval_count", params).row(0, named=True)
    if counts["rows_in"] != counts["used"] + counts["duplicate"] + counts["rejected"]:
        told = ", ".join(f"{name} {count}" for name, count in counts.items())
        raise NightFailed(f"{lake.root}: the rows of {day} don't add up ({told}); please report this")
    names = pl.DataFrame(
        {"file_no": range(len(ready)), "source_file": [file.name for file in ready]},
        schema={"file_no": pl.Int32, "source_file": pl.String},
    )
    rows = warehouse.query(con, "interval_reject", params).join(names, on="file_no", maintain_order="left")
    rejects = pl.concat([contract.rejects(unread), rows.select(pl.Schema(contract.Reject).names())])
    for table in ("interval_read", "interval_checked"):
        con.execute(f"DROP TABLE {table}")
    for path in set(ready.values()) - {file.path for file in files}:
        path.unlink()
    return DayIntake(day, **counts, rejects=rejects, files=files)


def _read(
    con: duckdb.DuckDBPyConnection, ready: dict[LakeFile, Path], workdir: Path
) -> list[tuple[str, int | None, str, str | None]]:
    """Build interval_read; a file whose pages turn out damaged leaves `ready` and is returned as a reject."""
    unread: list[tuple[str, int | None, str, str | None]] = []
    try:
        _build_read(con, list(ready.values()), workdir)
    except duckdb.Error:
        for file, path in list(ready.items()):
            try:
                _build_read(con, [path], workdir)
            except duckdb.Error as error:
                del ready[file]
                told = " ".join(str(error).split())[:200]
                unread.append((file.name, None, f"the file cannot be read ({told}); send it again, whole", None))
        _build_read(con, list(ready.values()), workdir)
    return unread


def _build_read(con: duckdb.DuckDBPyConnection, paths: list[Path], workdir: Path) -> None:
    nothing = workdir / "nothing.parquet"
    if not paths:
        pl.DataFrame(schema=STAGED).write_parquet(nothing)
    warehouse.build(con, "interval_read", {"files": [str(path) for path in paths or [nothing]]})
    nothing.unlink(missing_ok=True)

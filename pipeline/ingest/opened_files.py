"""Makes a day's files readable, each where it lies or as a copy, or says why it can't be read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import duckdb
import polars as pl

from pipeline.core import contract, sql_runner
from pipeline.core.sharding import Shard
from pipeline.ingest.csv_reader import UnusableFileError
from pipeline.ingest.lake import LakeFile
from pipeline.ingest.lake_config import Intervals
from pipeline.ingest.normalize import STAGED
from pipeline.ingest.staging import by_line_columns, extent, has_nanoseconds, prepare


@dataclass(frozen=True)
class Opened:
    """A file of a day, `number` in the order of arrival: the Parquet `path` that DuckDB reads, or `why` it can't be.

    `path` is the file itself or a copy. It says that it holds `rows` rows, of homes from `first_home` to `last_home`
    (None where it doesn't say), perhaps some without a home; `is_fine` is a file in place with times in nanoseconds;
    `by_line` are the contract's THIRD_LINE and PV_BY_LINE that it has.
    """

    number: int
    file: LakeFile
    path: Path | None = None
    why: str | None = None
    rows: int = 0
    first_home: str | None = None
    last_home: str | None = None
    is_fine: bool = False
    by_line: frozenset[str] = frozenset()

    def may_hold(self, shard: Shard) -> bool:
        """Tell whether a row of it, or what is to be told of it, can belong to the shard."""
        if self.first_home is None or self.last_home is None:
            return True
        begins_before = shard.before_home is None or self.first_home < shard.before_home
        return begins_before and (shard.first_home is None or shard.first_home <= self.last_home)


def open_files(
    con: duckdb.DuckDBPyConnection,
    files: Sequence[tuple[int, LakeFile]],
    how: Intervals,
    *,
    required: tuple[str, ...],
    workdir: Path,
    in_place: bool = True,
    probe: bool = True,
) -> list[Opened]:
    """Make each numbered file readable, in place or as a copy in `workdir`, or say why it can't be.

    With `probe` it is read once to its end: that finds a damaged page. Without, whoever reads it finds it.

    Parameters
    ----------
    con
        The DuckDB to read with.
    files
        Number, in order of arrival, and file.
    how
        What lake.toml says of intervals.
    required
        Columns a file must have.
    workdir
        Folder for staged copies.
    in_place
        Whether a file in contract may be read where it lies.
    probe
        Whether each file is read to its end.
    """
    workdir.mkdir(parents=True, exist_ok=True)
    con.register("interval_template", pl.DataFrame(schema=STAGED).to_arrow())
    opened = []
    for number, file in files:
        try:
            path = prepare(file, how, required, workdir=workdir, number=number, may_be_in_place=in_place)
            if probe:
                point_at(con, [path], by_line=by_line_columns(path))
                sql_runner.query(con, "interval_probe", {})
        except UnusableFileError as error:
            opened.append(Opened(number, file, why=_told_once(file, f"the file {error}")))
        except duckdb.Error as error:
            message = " ".join(str(error).split())[:200]
            why = f"the file cannot be read ({message}); send it again, whole"
            opened.append(Opened(number, file, why=_told_once(file, why)))
        else:
            is_fine = path == file.path and has_nanoseconds(path)
            by_line = by_line_columns(path)
            opened.append(Opened(number, file, path, None, *extent(path), is_fine=is_fine, by_line=by_line))
    return opened


def _told_once(file: LakeFile, why: str) -> str | None:
    """Return the reason on the one day that tells it of a file with rows of several days."""
    return why if file.rows is None or file.rows.takes_others else None


def unlike_the_rest(opened: Sequence[Opened]) -> list[Opened]:
    """Return the files that count in ns beside others that don't: read together, all would be counted in ns."""
    fine = [opened_file for opened_file in opened if opened_file.is_fine]
    return fine if len(fine) < sum(opened_file.path is not None for opened_file in opened) else []


def open_day(
    con: duckdb.DuckDBPyConnection,
    files: Sequence[LakeFile],
    how: Intervals,
    *,
    required: tuple[str, ...],
    workdir: Path,
    in_place: bool = True,
    probe: bool = True,
) -> list[Opened]:
    """Open all files of a day, in the order of arrival, so that they can be read together.

    Parameters
    ----------
    con, how, required, workdir, in_place, probe
        As `open_files` takes them.
    files
        In the order of arrival.
    """

    def opened_of(numbered: Sequence[tuple[int, LakeFile]], *, in_place: bool) -> list[Opened]:
        return open_files(
            con, numbered, how, required=required, workdir=workdir, in_place=in_place, probe=probe
        )

    opened = opened_of(list(enumerate(files)), in_place=in_place)
    if not (fine := unlike_the_rest(opened)):
        return opened
    again = opened_of([(one.number, one.file) for one in fine], in_place=False)
    return sorted([*(one for one in opened if one not in fine), *again], key=lambda one: one.number)


def close_day(opened: Sequence[Opened]) -> None:
    """Remove the copies that `open_day` made."""
    for opened_file in opened:
        if opened_file.path and opened_file.path != opened_file.file.path:
            opened_file.path.unlink(missing_ok=True)


def by_line_of(opened: Sequence[Opened]) -> frozenset[str]:
    """Return the contract's THIRD_LINE and PV_BY_LINE that any of the files has."""
    return frozenset[str]().union(*(one.by_line for one in opened))


def point_at(
    con: duckdb.DuckDBPyConnection, paths: list[Path], *, by_line: frozenset[str], of_homes: bool = False
) -> None:
    """Make the view interval_read read these files, in this order.

    Parameters
    ----------
    con
        The DuckDB that reads.
    paths
        The files.
    by_line
        Which of the contract's THIRD_LINE and PV_BY_LINE any of them has: the others cost nothing.
    of_homes
        Whether rows of homes of table wanted_home are read only.
    """
    values = {
        "interval_files": [sql_runner.as_named(path) for path in paths],
        "has_third_line": not by_line.isdisjoint(contract.THIRD_LINE),
        "has_pv_by_line": not by_line.isdisjoint(contract.PV_BY_LINE),
    }
    for name, value in values.items():
        con.execute(f"SET VARIABLE {name} = $value", {"value": value})
    query = "interval_of_homes" if of_homes else "interval_read"
    con.sql(sql_runner.sql_text(query)).create_view("interval_read", replace=True)

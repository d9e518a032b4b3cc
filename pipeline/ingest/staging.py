"""Makes every file of a day readable in place: the contract's Parquet as it lies, all else staged as such."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, time, timedelta
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.core import contract
from pipeline.ingest.csv_reader import REASON, UnusableFileError, header
from pipeline.ingest.lake import LakeFile, RowsOfDay
from pipeline.ingest.lake_config import Intervals
from pipeline.ingest.plain_texts import has_plain_texts
from pipeline.ingest.staged_rows import read_rows, unreadable
from pipeline.ingest.untrusted_parquet import READ_ERRORS, refuse_absurd

# Columns that only homes with three lines have: a copy has them where a reading is in them.
_BY_LINE = (*contract.THIRD_LINE, *contract.PV_BY_LINE)
_RESERVED = {"filename", "file_index", "file_row_number", "file_no", "file_row"}
_RESERVED |= {"_staged_no", "_staged_reason", "_staged_row"}
_MISPLACED = "interval_start lies outside its partition's local day"
_OF_NO_DAY = "interval_start lies before 1970 or after 2100"
_TEXT_TYPES = (pa.types.is_string, pa.types.is_large_string, pa.types.is_string_view)


def prepare(
    file: LakeFile,
    how: Intervals,
    required: Iterable[str],
    *,
    workdir: Path,
    number: int,
    may_be_in_place: bool = True,
) -> Path:
    """Return a Parquet file that DuckDB can read as the contract's intervals: `file` or its staged copy.

    The copy, `workdir`/<number>.parquet, also holds the row number in the source and why a row is refused.

    Parameters
    ----------
    file
        The source file.
    how
        What lake.toml says of intervals.
    required
        Columns it must have.
    workdir
        Folder of the copy.
    number
        Its place in the order of arrival.
    may_be_in_place
        Whether a file in contract may be read where it lies.

    Raises
    ------
    UnusableFileError
        Corrupt, encrypted, truncated or absurd, or without a required column.
    """
    names = tuple(required)
    if file.rows is not None:
        staged = _rows_of_day(file, file.rows, how, names)
    else:
        is_parquet = file.path.suffix == ".parquet"
        if is_parquet and how == Intervals() and may_be_in_place and _is_contract(file.path, names):
            return file.path
        staged = read_rows(file, how, names)
    target = workdir / f"{number:05d}.parquet"
    unused = [
        name for name in _BY_LINE if name in staged.columns and staged[name].null_count() == staged.height
    ]
    staged.drop(unused).write_parquet(target, compression="lz4")
    return target


def source_columns(path: Path, how: Intervals) -> list[str]:
    """Return the column names of a source file; raises UnusableFileError like `prepare`."""
    if path.suffix == ".parquet":
        return list(_schema(path).names)
    return header(path, how.delimiter, how.skip_rows)


def _rows_of_day(file: LakeFile, rows: RowsOfDay, how: Intervals, required: tuple[str, ...]) -> pl.DataFrame:
    """Return the rows that belong to a day, and those of none where it tells them."""
    taken = rows.taken_in
    if taken is None:
        frame = read_rows(file, how, required).lazy()
    elif taken.path is None:
        raise UnusableFileError(taken.why or "")
    else:
        for lack in (what for name, what in taken.lacks if name in required):
            raise UnusableFileError(lack)
        frame = pl.scan_parquet(taken.path, glob=False)
    start, midnight = pl.col("interval_start"), datetime.combine(rows.day, time())
    is_here = (start >= midnight) & (start < midnight + timedelta(days=1))
    if not rows.takes_others:
        return frame.filter(is_here).collect()
    is_misplaced = ~start.dt.date().is_between(rows.first, rows.last)
    reason = pl.when(is_misplaced).then(pl.lit(_MISPLACED if taken is None else _OF_NO_DAY))
    here = frame.filter(is_here | start.is_null() | is_misplaced)
    return here.with_columns(pl.coalesce(REASON, reason).alias(REASON)).collect()


def has_nanoseconds(path: Path) -> bool:
    """Tell whether a readable Parquet file's times are counted in ns, which end in the years 1677 and 2262."""
    schema = pq.read_schema(path)
    kinds = [field.type for field in schema if field.name.casefold() == "interval_start"]
    return any(pa.types.is_timestamp(kind) and kind.unit == "ns" for kind in kinds)


def by_line_columns(path: Path) -> frozenset[str]:
    """Return which of the contract's THIRD_LINE and PV_BY_LINE a readable Parquet file has."""
    return frozenset(_BY_LINE) & {name.casefold() for name in pq.read_schema(path).names}


def extent(path: Path) -> tuple[int, str | None, str | None]:
    """Return how many rows a readable Parquet file has by its footer, and its first and last home.

    The homes are None where the footer doesn't say, or where a row has none.
    """
    footer = pq.read_metadata(path)
    column = next(
        (n for n in range(footer.num_columns) if footer.schema.column(n).name.casefold() == "site_id"), None
    )
    rows = sum(footer.row_group(group).num_rows for group in range(footer.num_row_groups))
    bounds: list[str] = []
    for group in range(footer.num_row_groups):
        statistics = None if column is None else footer.row_group(group).column(column).statistics
        if (
            statistics is None
            or not statistics.has_min_max
            or not statistics.has_null_count
            or statistics.null_count
        ):
            return rows, None, None
        try:
            bounds += [statistics.min, statistics.max]
        except (ValueError, pa.ArrowException):  # bytes that are no text
            return rows, None, None
    if not bounds or not all(isinstance(bound, str) for bound in bounds):
        return rows, None, None
    return rows, min(bounds), max(bounds)


def _schema(path: Path) -> pa.Schema:
    try:
        refuse_absurd(path)
        return pq.read_schema(path)
    except READ_ERRORS as error:
        raise UnusableFileError(unreadable(error)) from error


def _is_contract(path: Path, required: tuple[str, ...]) -> bool:
    """Tell whether DuckDB can read the file in place: columns as the contract has them, ids with nothing around."""
    schema = _schema(path)
    names = [name.casefold() for name in schema.names]
    if len(set(names)) < len(names) or contract.absent(required, names) or _RESERVED & set(names):
        return False
    if not all(_fits(name, field.type) for name, field in zip(names, schema, strict=True)):
        return False
    try:
        return has_plain_texts(path, schema.names[names.index("site_id")])
    except READ_ERRORS:  # damaged: whoever reads it in place finds out how far
        return True


def _fits(name: str, kind: pa.DataType) -> bool:
    if name == "site_id":
        return _is_text(kind)
    if name == "interval_start":
        return bool(pa.types.is_timestamp(kind))
    if name in contract.READINGS:
        return any(fits(kind) for fits in (pa.types.is_floating, pa.types.is_integer, pa.types.is_null))
    return not pa.types.is_nested(kind)


def _is_text(kind: pa.DataType) -> bool:
    if pa.types.is_dictionary(kind):
        return _is_text(kind.value_type)
    return any(fits(kind) for fits in _TEXT_TYPES)

"""Makes every file of a day readable in place: the contract's Parquet as it lies, all else staged as such."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.core import contract
from pipeline.ingest.csv_reader import REASON, ROW, UnusableFileError, header, read_delimited
from pipeline.ingest.lake import LakeFile, RowsOfDay
from pipeline.ingest.lake_config import Intervals
from pipeline.ingest.normalize import conform
from pipeline.ingest.plain_texts import has_plain_texts
from pipeline.ingest.untrusted_parquet import READ_ERRORS, read_foreign, refuse_absurd

_RESERVED = {"filename", "file_index", "file_row_number", "file_no", "file_row"}
_RESERVED |= {"_staged_no", "_staged_reason", "_staged_row"}
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
    is_parquet = file.path.suffix == ".parquet"
    if (
        is_parquet
        and how == Intervals()
        and may_be_in_place
        and file.rows is None
        and _is_contract(file.path, names)
    ):
        return file.path
    try:
        staged = (
            conform(_from_parquet(file.path), how, names) if is_parquet else _from_text(file.path, how, names)
        )
    except pl.exceptions.PolarsError as error:
        raise UnusableFileError(f"cannot be made into the contract's columns ({_told(error)})") from error
    if file.rows is not None:
        staged = _of_day(staged, file.rows)
    target = workdir / f"{number:05d}.parquet"
    staged.write_parquet(target, compression="lz4")
    return target


def source_columns(path: Path, how: Intervals) -> list[str]:
    """Return the column names of a source file; raises UnusableFileError like `prepare`."""
    if path.suffix == ".parquet":
        return list(_schema(path).names)
    return header(path, how.delimiter)


def _from_parquet(path: Path) -> pl.DataFrame:
    """Return a Parquet file's rows with their number, from 1, in `ROW`."""
    try:
        frame = read_foreign(path)
    except READ_ERRORS as error:
        raise UnusableFileError(_unreadable(error)) from error
    return (
        frame.drop(ROW, strict=False).with_row_index(ROW, offset=1).with_columns(pl.col(ROW).cast(pl.Int64))
    )


def _from_text(path: Path, how: Intervals, required: tuple[str, ...]) -> pl.DataFrame:
    frame, bad = read_delimited(path, how.delimiter, is_multiline=False)
    return pl.concat([conform(frame, how, required), bad], how="diagonal")


def _of_day(staged: pl.DataFrame, rows: RowsOfDay) -> pl.DataFrame:
    """Return the rows that belong to a day, and those of none where it tells them."""
    start = pl.col("interval_start").dt.date()
    if not rows.takes_others:
        return staged.filter(start == rows.day)
    is_misplaced = ~start.is_between(rows.first, rows.last)
    reason = pl.when(is_misplaced).then(pl.lit("interval_start lies outside its partition's local day"))
    return staged.filter((start == rows.day) | start.is_null() | is_misplaced).with_columns(
        pl.coalesce(REASON, reason).alias(REASON)
    )


def has_nanoseconds(path: Path) -> bool:
    """Tell whether a readable Parquet file's times are counted in ns, which end in the years 1677 and 2262."""
    schema = pq.read_schema(path)
    kinds = [field.type for field in schema if field.name.casefold() == "interval_start"]
    return any(pa.types.is_timestamp(kind) and kind.unit == "ns" for kind in kinds)


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
        raise UnusableFileError(_unreadable(error)) from error


def _is_contract(path: Path, required: tuple[str, ...]) -> bool:
    """Tell whether DuckDB can read the file in place: columns as the contract has them, ids with nothing around."""
    schema = _schema(path)
    names = [name.casefold() for name in schema.names]
    if len(set(names)) < len(names) or not set(required) <= set(names) or _RESERVED & set(names):
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
    if name in contract.MEASURES:
        return any(fits(kind) for fits in (pa.types.is_floating, pa.types.is_integer, pa.types.is_null))
    return not pa.types.is_nested(kind)


def _is_text(kind: pa.DataType) -> bool:
    if pa.types.is_dictionary(kind):
        return _is_text(kind.value_type)
    return any(fits(kind) for fits in _TEXT_TYPES)


def _unreadable(error: BaseException) -> str:
    message = _told(error)
    if "ncrypt" in message:
        return "is encrypted; send it unencrypted"
    return f"cannot be read as Parquet ({message}); send it again, whole"


def _told(error: BaseException) -> str:
    return " ".join(str(error).split())[:200]

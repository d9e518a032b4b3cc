"""Parquet of other hands: what could stop a reader, or swamp it, is made harmless before anything looks at it.

Bytes, nested values, durations and times of other ages have no text of their own here (polars aborts on some of
them), and a file of a few kilobytes can claim a billion rows.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq

from pipeline.ingest.csv_reader import UnusableFileError
from pipeline.ingest.plain_texts import bytes_as_text

# What readers raise on files that are damaged, encrypted or no Parquet; names in them need not be UTF-8.
READ_ERRORS = (OSError, EOFError, UnicodeDecodeError, pa.ArrowException, pl.exceptions.PolarsError)
# No fleet's day takes less than a byte a row in a file of this many rows: three measured powers don't repeat.
_MANY_ROWS = 10_000_000
_FEWEST_BYTES_A_ROW = 1
# Years 1 to 9999 [us since 1970, days since 1970]: what other tools can write down.
_FIRST = int(datetime(1, 1, 1, tzinfo=UTC).timestamp()) * 1_000_000
_LAST = int(datetime(9999, 12, 31, tzinfo=UTC).timestamp()) * 1_000_000
_FIRST_DAY, _LAST_DAY = (date(1, 1, 1) - date(1970, 1, 1)).days, (date(9999, 12, 31) - date(1970, 1, 1)).days
_PLAIN = (pl.String, pl.Boolean, pl.Null, pl.Date, pl.Datetime, pl.Time, pl.Categorical, pl.Enum)


def refuse_absurd(path: Path) -> None:
    """Refuse a Parquet file that claims more rows than its bytes can hold.

    Raises
    ------
    UnusableFileError
        It does; or pyarrow's and the system's own errors where the file has no readable footer.
    """
    rows, size = pq.read_metadata(path).num_rows, path.stat().st_size
    if rows > _MANY_ROWS and size < rows * _FEWEST_BYTES_A_ROW:
        raise UnusableFileError(f"claims {rows} rows in {size} bytes; send the rows that were measured")


def read_foreign(path: Path) -> pl.DataFrame:
    """Return the rows of a Parquet file, `tamed`.

    Read by pyarrow, which takes a damaged file for an error where polars aborts.

    Raises
    ------
    UnusableFileError
        The file claims too much; or one of READ_ERRORS.
    """
    refuse_absurd(path)
    with pq.ParquetFile(path) as file:
        table = file.read()
    table.validate(full=True)  # or a text that is no UTF-8 would pass for one
    if len(set(table.column_names)) < table.num_columns:
        twice = next(name for name in table.column_names if table.column_names.count(name) > 1)
        raise UnusableFileError(f"has the column '{twice}' twice; keep one")
    return tamed(pl.DataFrame(pl.from_arrow(table)))


def tamed(frame: pl.DataFrame) -> pl.DataFrame:
    """Return the frame with every column in a type that has a text: text, number, flag, date or time.

    Bytes become the text that they are, or hex digits; nested values, durations and whatever else become the
    name of their type. A date or time outside the years 1 to 9999 makes its column text, with the bare count
    for that value.
    """
    return frame.select(_tamed(column) for column in frame.get_columns())


def _tamed(column: pl.Series) -> pl.Series:
    kind = column.dtype
    if kind == pl.Binary:
        return bytes_as_text(column)
    if isinstance(kind, pl.Datetime):
        if kind.time_unit == "ns":  # can't leave the years 1677 to 2262
            return column
        by = 1000 if kind.time_unit == "ms" else 1
        return _dated(column, _FIRST // by, _LAST // by)
    if kind == pl.Date:
        return _dated(column, _FIRST_DAY, _LAST_DAY)
    if kind.is_numeric() or isinstance(kind, _PLAIN):
        return column
    kind_text = pl.select(pl.when(column.is_not_null()).then(pl.lit(f"({kind})"))).to_series()
    return kind_text.cast(pl.String).alias(column.name)


def _dated(column: pl.Series, first: int, last: int) -> pl.Series:
    count = column.to_physical().cast(pl.Int64)
    is_odd = ~count.is_between(first, last).fill_null(True)
    if not is_odd.any():
        return column
    kind, form = column.dtype, "%Y-%m-%d"
    if isinstance(kind, pl.Datetime):
        form += " %H:%M:%S%.f" + ("" if kind.time_zone is None else "Z")
        kind = pl.Datetime(kind.time_unit)
    text = count.set(is_odd, None).cast(kind).dt.to_string(form)
    return text.zip_with(~is_odd, count.cast(pl.String)).alias(column.name)

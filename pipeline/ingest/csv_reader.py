"""Reads delimited text so that no line is lost: every data row comes back as texts or as a bad row."""

from __future__ import annotations

import codecs
import csv
import gzip
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

import polars as pl
import pyarrow as pa
import pyarrow.csv as pacsv

ROW = "_staged_no"
REASON = "_staged_reason"
TEXT = "_staged_row"
# A gzipped day of readings unpacks to some ten times its size; a bomb to a thousand times.
_MOST_UNPACKED, _MOST_TIMES = 2**28, 100
BAD = pl.Schema({ROW: pl.Int64, REASON: pl.String, TEXT: pl.String})


class UnusableFileError(Exception):
    """A file that can't be used at all; the message is the reason."""


def read_delimited(
    path: Path, delimiter: str = ",", *, is_multiline: bool, skip_rows: int = 0
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return (rows, bad rows) of a UTF-8 text, plain or gzipped, with a header line; blank lines don't count.

    `rows` has the header's columns as text, untouched, and the data row's number from 1 in `ROW`; `bad`
    has the schema `BAD`. Only with `is_multiline` may a quoted value hold a line break: elsewhere a quote
    that is never closed would swallow all rows that follow.

    Parameters
    ----------
    path
        The file.
    delimiter
        What parts the fields.
    is_multiline
        Whether a quoted value may hold a line break.
    skip_rows
        Lines before the header.

    Raises
    ------
    UnusableFileError
        Not text, truncated, without a header, or with one name twice in it.
    """
    with _as_unusable():
        _check_text(path)
        names, is_empty = _header(path, delimiter, skip_rows)
        if is_empty:
            return pl.DataFrame(schema=dict.fromkeys(names, pl.String) | {ROW: pl.Int64}), _bad([])
        table, bad = _parse(path, delimiter, names, '"', skip_rows)
        frame = pl.DataFrame(pl.from_arrow(table))
        if not is_multiline and _has_line_break(frame, bad):
            table, bad = _parse(path, delimiter, names, False, skip_rows)
            frame = pl.DataFrame(pl.from_arrow(table)).with_columns(pl.all().str.strip_chars('"'))
    return _numbered(frame, [number for number, _, _ in bad]), _bad(bad)


def header(path: Path, delimiter: str = ",", skip_rows: int = 0) -> list[str]:
    """Return the names in the header line; raises UnusableFileError like `read_delimited`."""
    with _as_unusable():
        _check_text(path)
        return _header(path, delimiter, skip_rows)[0]


def with_plain_names(rows: pl.DataFrame) -> pl.DataFrame:
    """Return the rows with the header's names in lower case and without blanks around them.

    Raises
    ------
    UnusableFileError
        Two names are then one.
    """
    names = {name: name.strip().casefold() for name in rows.columns if name != ROW}
    for plain in names.values():
        same = [name for name, to in names.items() if to == plain]
        if len(same) > 1:
            raise UnusableFileError(
                f"has the column '{plain}' twice, as '{same[0]}' and '{same[1]}'; keep one"
            )
    return rows.rename(names)


@contextmanager
def _as_unusable() -> Iterator[None]:
    try:
        yield
    except (OSError, EOFError, ValueError, zlib.error, pa.ArrowException, csv.Error) as error:
        message = " ".join(str(error).split())
        raise UnusableFileError(
            f"cannot be read as delimited text ({message}); send it again, whole"
        ) from error


def _open(path: Path) -> IO[str]:
    if path.suffix == ".gz":
        return gzip.open(path, "rt", encoding="utf-8-sig", newline="")
    return path.open("r", encoding="utf-8-sig", newline="")


def _check_text(path: Path) -> None:
    """Refuse what is not UTF-8 anywhere, since the parser drops such a line if it is malformed too, and a gzip bomb.

    Read in pieces, so that neither is ever held whole.
    """
    most = max(_MOST_UNPACKED, _MOST_TIMES * path.stat().st_size)
    decoder = codecs.getincrementaldecoder("utf-8")()
    unpacked = 0
    with gzip.open(path, "rb") if path.suffix == ".gz" else path.open("rb") as raw:
        while piece := raw.read(1 << 20):
            unpacked += len(piece)
            if unpacked > most:
                raise UnusableFileError(
                    f"unpacks to more than {most} bytes; send the rows that were measured"
                )
            decoder.decode(piece)
    decoder.decode(b"", final=True)


def _header(path: Path, delimiter: str, skip_rows: int) -> tuple[list[str], bool]:
    """Return the names in the first line that isn't blank, and whether nothing follows it."""
    with _open(path) as text:
        for _ in range(skip_rows):
            next(text, "")
        names: list[str] = next(filter(any, csv.reader(text, delimiter=delimiter)), [])
        is_empty = not any(line.strip() for line in text)
    if not names:
        raise UnusableFileError("is empty: there is no header line")
    twice = next((name for name in names if names.count(name) > 1), None)
    if twice is not None:
        raise UnusableFileError(f"has the column '{twice}' twice; keep one")
    return names, is_empty


def _parse(
    path: Path, delimiter: str, names: list[str], quote: str | bool, skip_rows: int
) -> tuple[pa.Table, list[tuple[int, str, str]]]:
    """Parse as texts; the parser hands over each line with a wrong number of fields, header counted as 1."""
    bad: list[tuple[int, str, str]] = []

    def note(row: pacsv.InvalidRow) -> str:
        reason = f"malformed: {row.actual_columns} fields where the header has {row.expected_columns}"
        bad.append((row.number - 1 - skip_rows, reason, row.text))
        return "skip"

    table = pacsv.read_csv(
        path,
        read_options=pacsv.ReadOptions(use_threads=False, skip_rows=skip_rows),
        parse_options=pacsv.ParseOptions(
            delimiter=delimiter, quote_char=quote, invalid_row_handler=note, newlines_in_values=quote == '"'
        ),
        convert_options=pacsv.ConvertOptions(
            column_types={name: pa.string() for name in names}, strings_can_be_null=False
        ),
    )
    return table.cast(pa.schema([(name, pa.string()) for name in table.column_names])), bad


def _has_line_break(frame: pl.DataFrame, bad: list[tuple[int, str, str]]) -> bool:
    if any("\n" in text for _, _, text in bad):
        return True
    found = (
        frame.select(pl.any_horizontal(pl.all().str.contains("\n", literal=True).any()))
        if frame.width
        else frame
    )
    return bool(found.height and found.item())


def _numbered(frame: pl.DataFrame, skipped: list[int]) -> pl.DataFrame:
    """Give each row its number among all data rows, the skipped ones counted."""
    numbers = pl.int_range(1, frame.height + len(skipped) + 1, dtype=pl.Int64, eager=True)
    row_numbers = (
        numbers.filter(~numbers.is_in(pl.Series(skipped, dtype=pl.Int64).implode())) if skipped else numbers
    )
    return frame.with_columns(row_numbers.alias(ROW))


def _bad(rows: list[tuple[int, str, str]]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema=BAD, orient="row")

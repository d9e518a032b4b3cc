"""A file of any kind, read whole, as rows of the contract's intervals with the reason of each that can't be used."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import polars as pl

from pipeline.core import contract
from pipeline.ingest.csv_reader import ROW, UnusableFileError, read_delimited
from pipeline.ingest.lake_config import Intervals
from pipeline.ingest.normalize import conform
from pipeline.ingest.untrusted_parquet import READ_ERRORS, read_foreign
from pipeline.storage.lake_source import LakeFile

# The column that a fleet of homes with one line may leave out.
_SECOND_LEG = "l2_w"


def read_rows(file: LakeFile, how: Intervals, required: Iterable[str]) -> pl.DataFrame:
    """Return a file's rows with the schema STAGED.

    Raises
    ------
    UnusableFileError
        It can't be read, or lacks a required column.
    """
    names, own = tuple(required), file.name.rpartition("/")[2]
    try:
        if file.path.suffix == ".parquet":
            return conform(_from_parquet(file.path), how, names, file_name=own)
        return _from_text(file.path, how, names, file_name=own)
    except pl.exceptions.PolarsError as error:
        raise UnusableFileError(f"cannot be made into the contract's columns ({told(error)})") from error


def rows_and_lacks(file: LakeFile, how: Intervals) -> tuple[pl.DataFrame, dict[str, str]]:
    """Return a file's rows, and the column that some fleets require and it lacks, with what to say.

    Raises
    ------
    UnusableFileError
        It can't be read, or lacks a column that every fleet requires.
    """
    required = contract.required("intervals")
    try:
        return read_rows(file, how, required), {}
    except UnusableFileError as error:
        rows = read_rows(file, how, [name for name in required if name != _SECOND_LEG])
        return rows, {_SECOND_LEG: str(error)}


def _from_parquet(path: Path) -> pl.DataFrame:
    """Return a Parquet file's rows with their number, from 1, in `ROW`."""
    try:
        frame = read_foreign(path)
    except READ_ERRORS as error:
        raise UnusableFileError(unreadable(error)) from error
    return (
        frame.drop(ROW, strict=False).with_row_index(ROW, offset=1).with_columns(pl.col(ROW).cast(pl.Int64))
    )


def _from_text(path: Path, how: Intervals, required: tuple[str, ...], *, file_name: str) -> pl.DataFrame:
    frame, bad = read_delimited(path, how.delimiter, is_multiline=False, skip_rows=how.skip_rows)
    return pl.concat([conform(frame, how, required, file_name=file_name), bad], how="diagonal")


def unreadable(error: BaseException) -> str:
    """Return what to say of a Parquet file that a reader stumbles over."""
    message = told(error)
    if "ncrypt" in message:
        return "is encrypted; send it unencrypted"
    return f"cannot be read as Parquet ({message}); send it again, whole"


def told(error: BaseException) -> str:
    """Return an error's message in one line, cut short."""
    return " ".join(str(error).split())[:200]

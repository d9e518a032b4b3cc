"""Names of a source's columns beside those that are asked for."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

import polars as pl

from pipeline.core import contract
from pipeline.ingest.csv_reader import ROW, UnusableFileError
from pipeline.ingest.plain_texts import BLANKS


def nearest(name: str, names: Iterable[str]) -> str:
    """Return a hint with the name that looks most like `name`, or nothing."""
    close = difflib.get_close_matches(name, list(names), n=1, cutoff=0.5)
    return f"; did you mean '{close[0]}'?" if close else ""


def missing(name: str, source: str, columns: list[str]) -> str:
    """Return what to say of a file without the column that `name` comes from."""
    mapped = f" (from '{source}', says lake.toml)" if source != name else ""
    strangers = set(columns) - {ROW, *contract.Interval.columns()}
    return f"has no column {name}{mapped}{nearest(source, strangers)}"


def with_named_columns(frame: pl.DataFrame, named: Iterable[str]) -> pl.DataFrame:
    """Return the frame with its columns as they are `named`, regardless of case and blanks around them.

    Raises
    ------
    UnusableFileError
        Two columns are then one.
    """
    wanted = {name.casefold(): name for name in named}
    present = set(frame.columns)
    renames = {c: wanted.get(c.strip(BLANKS).casefold(), c) for c in frame.columns}
    for name in set(wanted.values()) - present:
        same = [c for c, to in renames.items() if to == name]
        if len(same) > 1:
            raise UnusableFileError(
                f"has the column '{name}' twice, as '{same[0]}' and '{same[1]}'; keep one"
            )
    return frame.rename({c: to for c, to in renames.items() if c != to and to not in present})

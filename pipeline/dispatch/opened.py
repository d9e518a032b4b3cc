"""Reads the lake's optional tables for dispatch: every cell a text, column names in small letters."""

from __future__ import annotations

from pathlib import Path

import polars as pl

from pipeline.core.errors import InputError
from pipeline.ingest.csv_reader import UnusableFileError, read_delimited, with_plain_names


def read_texts(path: Path) -> pl.DataFrame:
    """Return the file's rows as texts, with their number as column ROW.

    Raises
    ------
    InputError
        The file can't be read, or a row of it isn't whole: which one and why.
    """
    try:
        texts, bad = read_delimited(path, is_multiline=True)
        texts = with_plain_names(texts)
    except UnusableFileError as error:
        raise InputError(f"{path}: {error}") from error
    if bad.height:
        raise InputError(f"{path} row {bad[0, 0]}: {bad[0, 1]}")
    return texts

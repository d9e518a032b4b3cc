"""Texts as they are compared: without what stands around them unseen, whatever type a column has them in."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

# White space of Unicode, control characters, and marks of no width: what padding and exports leave around a value.
_SPACES = "\u1680\u2028\u2029\u202f\u205f\u2060\u3000\ufeff"
BLANKS = "".join(map(chr, [*range(0x21), *range(0x7F, 0xA1), *range(0x2000, 0x200C)])) + _SPACES
_CONTROLS = r"[\x00-\x1f\x7f]"
# Whole numbers up to here are exact in a float.
_EXACT = 2.0**53


def plain(text: pl.Expr) -> pl.Expr:
    """Return texts without the blanks, tabs, control characters and marks of no width around them."""
    return text.str.strip_chars(BLANKS)


def number_as_text(column: pl.Series) -> pl.Series:
    """Return a column as text, a whole number without a fraction: a nullable id of whole numbers comes as floats."""
    texts = column.cast(pl.String)
    if not (column.dtype.is_float() or column.dtype.is_decimal()):
        return texts
    number = column.cast(pl.Float64)
    is_whole = ((number == number.floor()) & (number.abs() < _EXACT)).fill_null(False)
    whole = number.set(~is_whole, None).cast(pl.Int64).cast(pl.String)
    return whole.zip_with(is_whole, texts).alias(column.name)


def bytes_as_text(column: pl.Series) -> pl.Series:
    """Return bytes as the UTF-8 text that they are, padding aside; bytes that are none as hex digits."""
    try:
        texts = pl.Series(column.name, pc.cast(column.to_arrow(), pa.large_string()))
    except pa.ArrowInvalid:
        texts = None
    if texts is not None and not texts.str.strip_chars(BLANKS).str.contains(_CONTROLS).any():
        return texts
    distinct = column.unique().drop_nulls()
    readable = pl.DataFrame({"bytes": distinct, "text": [_readable(value) for value in distinct]})
    readable = readable.cast({"text": pl.String})
    found = pl.DataFrame({"bytes": column}).join(readable, on="bytes", how="left", maintain_order="left")
    return found["text"].alias(column.name)


def has_plain_texts(path: Path, name: str) -> bool:
    """Tell whether no text of a Parquet file's column is empty or stands among blanks, in any of its row groups.

    Read as a dictionary, which costs a hundredth of a second a million rows: the values are looked at once each.

    Raises
    ------
    OSError, pa.ArrowException
        The column can't be read.
    """
    with pq.ParquetFile(path, read_dictionary=[name]) as file:
        for group in range(file.num_row_groups):
            for chunk in file.read_row_group(group, columns=[name], use_threads=False)[name].chunks:
                texts = chunk.dictionary if isinstance(chunk, pa.DictionaryArray) else chunk
                texts = texts.cast(pa.large_string())
                is_plain = pc.and_(
                    pc.equal(pc.utf8_trim(texts, characters=BLANKS), texts),
                    pc.greater(pc.binary_length(texts), 0),
                )
                if pc.all(is_plain).as_py() is False:
                    return False
    return True


def _readable(value: bytes) -> str:
    try:
        text = value.decode().strip(BLANKS)
    except UnicodeDecodeError:
        return value.hex()
    return text if text.isprintable() else value.hex()

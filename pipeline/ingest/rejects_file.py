"""Files of rejects: written and read a few rows at a time, since a day may refuse millions of rows."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import polars as pl
import pyarrow.parquet as pq

from pipeline.core import contract
from pipeline.core.atomic_files import part_of

# The rows themselves are all different: a dictionary of them would only be thrown away.
_FEW_VALUES = ["source_file", "reason"]


@contextmanager
def writing(path: Path, group_rows: int) -> Iterator[Callable[[pl.DataFrame], None]]:
    """Write the frames that are handed in (the contract's Reject) as the Parquet file `path`, there when all are.

    The same rows give the same bytes, whatever pieces they come in. `group_rows` are what a reader holds at once.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    part, left = part_of(path), contract.rejects()
    schema = left.to_arrow().schema
    with pq.ParquetWriter(
        part, schema, compression="zstd", compression_level=3, use_dictionary=_FEW_VALUES
    ) as file:

        def write(rows: pl.DataFrame) -> None:
            nonlocal left
            left = pl.concat([left, rows.select(schema.names)])
            whole = left.height - left.height % group_rows
            if whole:
                file.write_table(left[:whole].to_arrow().cast(schema), row_group_size=group_rows)
                left = left[whole:]

        yield write
        file.write_table(left.to_arrow().cast(schema), row_group_size=group_rows)
    os.replace(part, path)


def blocks(path: Path) -> Iterator[pl.DataFrame]:
    """Yield the rows of a file, a row group at a time; the file is not held open in between."""
    told = pq.read_metadata(path)
    for group in range(told.num_row_groups):
        with pq.ParquetFile(path, metadata=told) as file:
            read = pl.from_arrow(file.read_row_group(group))
        assert isinstance(read, pl.DataFrame)
        if read.height:
            yield read.cast(pl.Schema(contract.Reject))


def merged(parts: list[Iterator[pl.DataFrame]], key: pl.Expr) -> Iterator[pl.DataFrame]:
    """Yield the rows of several sources, each in the order of `key` (whole numbers), in that order.

    Of every source one block is held at once. Rows of one key stay in the order of the sources.
    """
    waiting = [_Source(part, key) for part in parts]
    while waiting := [source for source in waiting if source.fill()]:
        # What is yet to come of a source is not before the last row that is held of it.
        ends = [source.last for source in waiting if source.has_more]
        yield (
            pl.concat([source.take(min(ends, default=None)) for source in waiting])
            .sort(_KEY, maintain_order=True)
            .drop(_KEY)
        )


_KEY = "_key"


class _Source:
    def __init__(self, part: Iterator[pl.DataFrame], key: pl.Expr) -> None:
        self._part, self._key = part, key
        self._next = next(part, None)
        self._held = pl.DataFrame()

    @property
    def has_more(self) -> bool:
        """Whether a block comes after the one that is held."""
        return self._next is not None

    @property
    def last(self) -> int:
        """The key of the last row that is held."""
        return int(self._held[_KEY][-1])

    def fill(self) -> bool:
        """Hold a block if there is none; tell whether one is held."""
        if self._held.is_empty() and self._next is not None:
            self._held = self._next.with_columns(self._key.alias(_KEY))
            self._next = next(self._part, None)
        return not self._held.is_empty()

    def take(self, end: int | None) -> pl.DataFrame:
        """Return the held rows up to this key, or all of them, and hold the others."""
        at = self._held.height if end is None else int(self._held[_KEY].search_sorted(end, side="right"))
        taken, self._held = self._held[:at], self._held[at:]
        return taken

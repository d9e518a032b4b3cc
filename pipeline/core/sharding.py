"""A fleet in shards of homes: whom a task is about, how tables reach it, and who carries the tasks out.

One machine works the tasks off one after the other; a cluster takes many at once. Both run the same functions on
the same tasks, and what a home's rows come to does not depend on who else is in its shard.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Protocol, TypeVar

import duckdb
import polars as pl

from pipeline.core.atomic_files import write_parquet

U = TypeVar("U")
R = TypeVar("R")
# A shard may outgrow the wanted size by this before a fleet is cut anew: cuts that rest keep a home's days together.
_GROWTH = 1.5
# Small enough that a reader of one shard's homes leaves most of a shared table unread.
_ROW_GROUP_ROWS = 20_000


@dataclass(frozen=True)
class Shard:
    """Homes from `first_home` up to, but without, `before_home`, by the bytes of their ids; None for no bound.

    The shards of a cut leave no id out and share none. What belongs to no home belongs to the first of them.
    """

    first_home: str | None = None
    before_home: str | None = None

    @property
    def name(self) -> str:
        """Short name that another pair of bounds does not have."""
        if self == WHOLE:
            return "whole"
        bounds = "\0".join(
            f"{'' if one is None else 'from'}{one}" for one in (self.first_home, self.before_home)
        )
        return hashlib.blake2b(bounds.encode(), digest_size=5).hexdigest()

    @property
    def is_first(self) -> bool:
        """Whether what belongs to no home is in it."""
        return self.first_home is None

    def has(self, home: str) -> bool:
        """Tell whether the home is in it."""
        return (self.first_home is None or self.first_home <= home) and (
            self.before_home is None or home < self.before_home
        )

    def meets(self, other: Shard) -> bool:
        """Tell whether an id can be in both."""
        return (
            self.before_home is None or other.first_home is None or other.first_home < self.before_home
        ) and (other.before_home is None or self.first_home is None or self.first_home < other.before_home)

    def holds(self, home: pl.Expr) -> pl.Expr:
        """Return whether each home of a column is in it, null where there is none."""
        is_in = home.is_not_null()
        if self.first_home is not None:
            is_in &= home >= self.first_home
        if self.before_home is not None:
            is_in &= home < self.before_home
        return pl.when(home.is_not_null()).then(is_in)

    def rows(self, frame: pl.LazyFrame) -> pl.LazyFrame:
        """Return the rows of `frame` (column site_id) that belong to its homes."""
        return frame if self == WHOLE else frame.filter(self.holds(pl.col("site_id")))


WHOLE = Shard()


def cut(homes: pl.Series, most: int, before: Sequence[Shard] = ()) -> tuple[Shard, ...]:
    """Cut a fleet into shards of at most `most` homes, even in size.

    Parameters
    ----------
    homes
        The ids of the register, sorted.
    most
        Most homes of a shard.
    before
        A cut that other days have; it is kept while its largest shard is of a size near `most`, so that homes
        that come and go leave the others where they are.
    """
    if before:
        ends = [0, *(int(homes.search_sorted(shard.first_home)) for shard in before[1:]), homes.len()]
        largest = max(end - start for start, end in pairwise(ends))
        if largest <= _GROWTH * most and (len(before) == 1 or largest > most / _GROWTH**2):
            return tuple(before)
    count = -(-max(homes.len(), 1) // most)
    starts = homes.gather_every(-(-homes.len() // count) or 1)[1:].to_list()
    return between(starts)


def between(starts: Sequence[str]) -> tuple[Shard, ...]:
    """Return the cut whose second, third ... shard begins with these homes."""
    return tuple(Shard(*bounds) for bounds in pairwise([None, *starts, None]))


@contextmanager
def homes_of(con: duckdb.DuckDBPyConnection, shard: Shard) -> Iterator[None]:
    """Have the query that reads whole files (interval_read) see the homes of `shard` only."""
    _bound(con, shard)
    try:
        yield
    finally:
        _bound(con, WHOLE)


def _bound(con: duckdb.DuckDBPyConnection, shard: Shard) -> None:
    con.execute("SET VARIABLE first_home = $value", {"value": shard.first_home})
    con.execute("SET VARIABLE before_home = $value", {"value": shard.before_home})


@dataclass(frozen=True)
class StoredTable:
    """A table that tasks take their homes' rows of: held in memory, or a Parquet file all can read."""

    held: pl.DataFrame | Path

    def of(self, shard: Shard = WHOLE) -> pl.DataFrame:
        """Return the rows of these homes, in the table's order."""
        lazy = (
            self.held.lazy()
            if isinstance(self.held, pl.DataFrame)
            else pl.scan_parquet(self.held, glob=False)
        )
        return shard.rows(lazy).collect()


@dataclass(frozen=True)
class TableStore:
    """Where tables wait for other tasks: in memory, or, given a folder that all share, as files there."""

    folder: Path | None = None

    def put(self, name: str, frame: pl.DataFrame) -> StoredTable:
        """Keep `frame` under a name; put twice it is the same table once."""
        if self.folder is None:
            return StoredTable(frame)
        path = self.folder / f"{name}.parquet"
        write_parquet(path, frame, _ROW_GROUP_ROWS, is_synced=False)
        return StoredTable(path)


class Executor(Protocol):
    """Who carries out tasks that don't need each other.

    `width` is how many tasks are of use at once, `tables` where tables for them and from them are kept.
    """

    @property
    def width(self) -> int:
        """How many tasks are of use at once."""

    @property
    def tables(self) -> TableStore:
        """Where tables for the tasks, and from them, are kept."""

    def __call__(
        self, name: str, function: Callable[[duckdb.DuckDBPyConnection, U], R], tasks: Sequence[U]
    ) -> list[R]:
        """Return what the function makes of each task, in order; it may be called again for a task."""


@dataclass(frozen=True)
class SerialExecutor:
    """One task after the other, here."""

    con: duckdb.DuckDBPyConnection
    width: int = 1
    tables: TableStore = TableStore()

    def __call__(
        self, name: str, function: Callable[[duckdb.DuckDBPyConnection, U], R], tasks: Sequence[U]
    ) -> list[R]:
        """Return what the function makes of each task, in order."""
        return [function(self.con, task) for task in tasks]

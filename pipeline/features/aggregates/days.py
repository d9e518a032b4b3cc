"""The store's days of many homes side by side: a column of site_day is a grid, one line a day and one entry a home."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.sharding import WHOLE, Shard

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
Int = NDArray[np.int64]
_SITE = pl.col("site_id")
_NUMBERS_AT_ONCE = 10_000_000  # held as read, and as grids: 80 MB each, however long the window


@dataclass(frozen=True)
class DayFile:
    """A file of site_day, all of one day: the day's `line`, and which `home` each row is about, -1 for none of them."""

    path: Path
    line: int
    home: Int


@dataclass(frozen=True)
class HomeDays:
    """The days that the store holds of some homes, at most one row a home and day.

    `homes` are the ids, `days` the UTC days with a row, both in order; `is_there` (days, homes) tells which have one;
    `files` are in the order of days.
    """

    homes: pl.Series
    days: pl.Series
    is_there: Bool
    files: tuple[DayFile, ...]

    @classmethod
    def of(cls, paths: Sequence[Path], shard: Shard = WHOLE, *, home: pl.Expr = _SITE) -> HomeDays:
        """Return the days that site_day's files, each of one day, hold of the homes of `shard`.

        Parameters
        ----------
        paths
            The files.
        shard
            The homes.
        home
            What a row is about, where it isn't the home: then `homes` are these, and so the rows of other tables.
        """
        scan = pl.scan_parquet(list(paths), glob=False, hive_partitioning=False, include_file_paths="file")
        rows = scan.select(*dict.fromkeys(("site_id", *home.meta.root_names())), "day", "file").collect()
        shard_rows = shard.rows(rows.lazy()).select(home.alias("home"), "day").collect()
        homes, days = (shard_rows[name].unique().sort() for name in ("home", "day"))
        # An id becomes its place in the list of homes; one of another shard has none.
        ids = rows.select(home).to_series()
        places = ids.cast(pl.Enum(homes), strict=False).to_physical().cast(pl.Int64).fill_null(-1)
        is_there = np.zeros((len(days), len(homes)), bool)
        files = []
        ends = rows["file"].rle().struct["len"].cum_sum()
        for start, end in pairwise([0, *ends]):
            place = places[start:end].to_numpy()
            if (place >= 0).any():
                line = int(days.search_sorted(rows["day"][start]))
                is_there[line, place[place >= 0]] = True
                files.append(DayFile(Path(rows["file"][start]), line, place))
        return cls(homes, days, is_there, tuple(sorted(files, key=lambda file: file.line)))

    def walk(self, names: Sequence[str]) -> Iterator[tuple[int, Int, pl.DataFrame]]:
        """Read columns of the files, day after day: the day's line, the rows' homes, and the rows."""
        files_at_once = max(1, _NUMBERS_AT_ONCE // (len(self.homes) * len(names) or 1))
        for first in range(0, len(self.files), files_at_once):
            files = self.files[first : first + files_at_once]
            paths = [file.path for file in files]
            frame = pl.read_parquet(paths, columns=list(names), glob=False, hive_partitioning=False)
            ends = np.cumsum([0, *(len(file.home) for file in files)])
            for file, (start, end) in zip(files, pairwise(ends), strict=True):
                is_one = file.home >= 0
                rows = frame[start:end]
                yield file.line, file.home[is_one], rows if is_one.all() else rows.filter(is_one)

    def columns(self, names: Sequence[str]) -> Columns:
        """Return some columns of the files as grids, to be asked for in this order."""
        return Columns(self, names)

    def rows(self, grid: Float) -> Float:
        """Return a grid's entries where there is a row, home by home in the order of days."""
        return grid.T[self.is_there.T]


class Columns:
    """Columns of `HomeDays`, each a grid (days, homes): NaN where it is null or the home has no row.

    Files are read a few columns at a time, in the order in which the columns are named.
    """

    def __init__(self, days: HomeDays, names: Sequence[str]) -> None:
        self._days = days
        step = max(1, _NUMBERS_AT_ONCE // max(days.is_there.size, 1))
        self._batches = [names[start : start + step] for start in range(0, len(names), step)]
        self._held: dict[str, Float] = {}

    def __getitem__(self, name: str) -> Float:
        """Return the column as a grid."""
        if name not in self._held:
            self._held = {}  # before the next ones are read, not after
            batch = next(batch for batch in self._batches if name in batch)
            self._held = {one: np.full(self._days.is_there.shape, np.nan) for one in batch}
            for line, home, rows in self._days.walk(batch):
                for column in rows:
                    self._held[column.name][line][home] = column.to_numpy()
        return self._held[name]

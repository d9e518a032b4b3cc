"""Homes grouped by crew and case mix, so that what a group has in common is computed once."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]
Int = NDArray[np.int64]


@dataclass(frozen=True)
class Runs:
    """Entries that lie sorted by the group they belong to.

    `groups` how many there are; `filled` those that have entries, rising; `starts` where the entries of each begin;
    `lengths` how many it has.
    """

    groups: int
    filled: Int
    starts: Int
    lengths: Int

    @classmethod
    def of(cls, group: Int, groups: int) -> Runs:
        """Return the runs of `group`, which rises from 0 to below `groups`."""
        starts = np.flatnonzero(np.diff(group, prepend=-1))
        return cls(groups, group[starts], starts, np.diff(starts, append=group.size))

    def sums(self, values: Float) -> Float:
        """Return the sum of each group's entries (their first axis), 0 for a group without any."""
        total = np.zeros((self.groups, *values.shape[1:]))
        if self.starts.size:
            total[self.filled] = np.add.reduceat(values, self.starts, axis=0)
        return total

    def spread(self, each: Float) -> Float:
        """Return for every entry what its group has in `each`."""
        spread: Float = np.repeat(each[self.filled], self.lengths)
        return spread


def by_group(group: Int, groups: int) -> Int:
    """Return the entries sorted by their group (from -1 to below `groups`), stable within a group."""
    # Numbers of 16 bits are sorted in one pass.
    narrow = group.astype(np.int16) if groups < np.iinfo(np.int16).max else group
    return np.argsort(narrow, kind="stable")


@dataclass(frozen=True)
class Cells:
    """The groups of homes of one crew and one case mix, sorted by crew.

    `order` the homes by cell; `cell` the cell of each home of that order; `crew` and `columns` (cells x levels) of each
    cell, crew -1 first.
    """

    order: Int
    cell: Int
    crew: Int
    columns: Float

    @classmethod
    def of(cls, crew: Int, columns: Float) -> Cells:
        """Return the cells of homes with these crews (-1 for none known) and columns (homes x levels)."""
        # Any weights do: rows that are the same should lie together, and where they don't there are more cells.
        weight = np.sqrt(np.arange(2.0, columns.shape[1] + 2.0))
        order = np.lexsort((columns @ weight, crew))
        crews, rows = crew[order], columns[order]
        is_new = np.ones(order.size, dtype=np.bool_)
        is_new[1:] = (crews[1:] != crews[:-1]) | (rows[1:] != rows[:-1]).any(axis=1)
        cell = np.cumsum(is_new) - 1
        return cls(order, cell, crews[is_new], rows[is_new])

    @property
    def count(self) -> int:
        """How many cells there are."""
        return self.crew.size

    @cached_property
    def of_home(self) -> Int:
        """The cell of each home, in the homes' order."""
        of_home = np.empty_like(self.cell)
        of_home[self.order] = self.cell
        return of_home

    def sums(self, values: Float) -> Float:
        """Return the sum over each cell's homes of `values`, one a home in the homes' order."""
        return np.bincount(self.of_home, values, self.count).astype(np.float64)

    def by_crew(self, values: Float, crews: int) -> Float:
        """Return the sums over each crew's cells of `values` (cells, or cells x any)."""
        first = int(np.searchsorted(self.crew, 0))
        return Runs.of(self.crew[first:], crews).sums(values[first:])

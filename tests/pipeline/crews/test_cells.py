"""Sums over homes put together by crew and case mix are the sums over the homes."""

from __future__ import annotations

import numpy as np

from pipeline.crews.cells import Cells, Runs, by_group


def test_a_group_without_entries_adds_up_to_nothing() -> None:
    runs = Runs.of(np.array([1, 1, 3]), 5)

    assert runs.sums(np.array([2.0, 3.0, 4.0])).tolist() == [0, 5, 0, 4, 0]
    assert runs.sums(np.eye(3)).tolist() == [[0, 0, 0], [1, 1, 0], [0, 0, 0], [0, 0, 1], [0, 0, 0]]
    assert runs.spread(np.arange(5.0)).tolist() == [1, 1, 3]
    assert Runs.of(np.array([], dtype=int), 2).sums(np.array([])).tolist() == [0, 0]


def test_a_groups_entries_keep_their_order_however_many_groups_there_are() -> None:
    group = np.array([2, -1, 0, 2, 0])

    assert by_group(group, 3).tolist() == by_group(group, 100_000).tolist() == [1, 2, 4, 0, 3]


def test_homes_of_a_crew_and_a_kind_are_one_cell() -> None:
    rng = np.random.default_rng(2)
    crew = rng.integers(-1, 3, 200)
    columns = np.column_stack([np.ones(200), rng.integers(0, 2, (200, 3))])
    values = rng.random(200)

    cells = Cells.of(crew, columns)

    assert cells.count == len({(c, *row) for c, row in zip(crew, columns.tolist(), strict=True)})
    assert (cells.crew[cells.of_home] == crew).all()
    assert (cells.columns[cells.of_home] == columns).all()
    by_crew = cells.by_crew(cells.sums(values), 4)
    assert np.allclose(by_crew, np.bincount(crew[crew >= 0], values[crew >= 0], 4))
    shared = cells.by_crew(cells.columns * cells.sums(values)[:, None], 4)
    assert np.allclose(shared[1], values[crew == 1] @ columns[crew == 1])

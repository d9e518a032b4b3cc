"""Voltages of streets with three lines, by the closed form and by the power-flow engine alike."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.core.services import service_of
from pipeline.simulate.families.street import LineDrop, solve_street
from pipeline.simulate.families.three_lines import solve_three_lines

STEPS = 40


def drops(service: str, *, loaded: int = 0, watts: float = 0.0, is_loose: bool = False) -> list[LineDrop]:
    """Return four homes of 500 W a line; in the later half the first one takes `watts` more from line `loaded`."""
    count = service_of(service).line_count
    homes = [np.full((count, STEPS), 500 + 100j) for _ in range(4)]
    if watts:
        homes[0][loaded - 1, STEPS // 2 :] += watts
    return [LineDrop(va, has_loose_neutral=is_loose and home == 0) for home, va in enumerate(homes)]


def moved(solve, service: str, **what) -> np.ndarray:
    """Return by how much each line of the first home moves [V] when the load comes on: the supply moves as without."""
    with_load, without = (
        np.array(solve(service, drops(service, **these), minutes=15.0, rng=np.random.default_rng(5))[0])
        for these in (what, {**what, "watts": 0.0})
    )
    return (with_load - without)[:, STEPS // 2 :].mean(axis=1)


@pytest.mark.parametrize("solve", [solve_three_lines, solve_street])
@pytest.mark.parametrize("service", ["230/400", "120/208 three-phase"])
@pytest.mark.parametrize("loaded", [1, 2, 3])
def test_a_load_sags_its_own_line_and_lifts_the_others_by_the_neutral(solve, service, loaded):
    by_line = moved(solve, service, loaded=loaded, watts=3000.0)
    own, others = by_line[loaded - 1], np.delete(by_line, loaded - 1)
    assert own < -0.2
    assert (others > 0.1 * own).all()  # hardly sagging
    assert others.sum() > 0.05 * -own


@pytest.mark.parametrize("solve", [solve_three_lines, solve_street])
def test_a_loose_neutral_moves_the_other_lines_far(solve):
    tight = moved(solve, "230/400", loaded=2, watts=3000.0)
    loose = moved(solve, "230/400", loaded=2, watts=3000.0, is_loose=True)
    assert loose[1] < tight[1] - 1.0
    assert min(loose[0], loose[2]) > max(tight[0], tight[2]) + 0.3


@pytest.mark.parametrize("solve", [solve_three_lines, solve_street])
def test_homes_with_one_line_hang_on_the_lines_of_the_street_in_turn(solve):
    homes = solve("230", drops("230"), minutes=15.0, rng=np.random.default_rng(3))
    assert [len(home) for home in homes] == [1, 1, 1, 1]
    assert all(abs(home[0].mean() - 230) < 12 for home in homes)

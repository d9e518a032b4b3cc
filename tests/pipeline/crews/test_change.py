"""A crew that changed is seen to, and crews that didn't are left alone."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from pipeline.crews import change
from pipeline.crews.change import change_point, changes


def installs(rng: np.random.Generator, rates: list[float], each: int) -> tuple[np.ndarray, np.ndarray]:
    """Days and faults of a crew whose rate goes through `rates`, `each` installs at every one."""
    faults = np.concatenate([(rng.random(each) < rate).astype(float) for rate in rates])
    return np.arange(faults.size) * 3, faults


def test_a_change_is_found_where_it_is() -> None:
    days, faults = installs(np.random.default_rng(1), [0.05, 0.5], 60)

    found = change_point(days, faults, 20, shuffles=999, seed=0)

    assert found is not None
    assert abs(found.installs_before - 60) <= 8
    assert found.p_value == 0.001  # beyond all of the 999 random orders


def test_installs_of_one_day_are_not_torn_apart_and_few_installs_say_nothing() -> None:
    days, faults = installs(np.random.default_rng(1), [0.0, 1.0], 30)

    assert change_point(days // 1000, faults, 10, shuffles=99, seed=0) is None
    assert change_point(days, faults, 31, shuffles=99, seed=0) is None
    assert change_point(days, np.zeros(60), 10, shuffles=99, seed=0) is None


def test_there_and_back_are_two_changes() -> None:
    rng = np.random.default_rng(3)
    days, faults = installs(rng, [0.02, 0.6, 0.02], 60)

    (found,) = changes([days], [faults], 20, shuffles=999, alpha=0.05)

    assert [round(one.installs_before / 60) for one in found] == [1, 2]


def test_many_crews_that_did_not_change_are_left_alone() -> None:
    alarms = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        crews = [installs(rng, [0.12], 50) for _ in range(8)]
        told = changes(
            [days for days, _ in crews], [faults for _, faults in crews], 20, shuffles=199, alpha=0.05
        )
        alarms += any(told)

    assert alarms <= 6  # 0.05 of 40 are 2; 6 or more is 1 in 80


def test_among_many_crews_one_that_changed_is_still_found() -> None:
    """Of 120 crews the first must reach 0.05 / 120: 199 random orders can't say so little."""
    rng = np.random.default_rng(5)
    crews = [installs(rng, [0.12], 40) for _ in range(119)] + [installs(rng, [0.05, 0.85], 20)]

    told = changes([days for days, _ in crews], [faults for _, faults in crews], 10, shuffles=199, alpha=0.05)

    assert [bool(found) for found in told] == 119 * [False] + [True]


@pytest.mark.parametrize("level", [0.0125, 0.05, 0.3])
def test_stopping_early_rejects_what_all_the_draws_reject(level: float) -> None:
    stopped = 0
    for seed in range(40):
        days, faults = installs(np.random.default_rng(seed), [0.1, 0.1 + seed / 120], 30)
        whole, early = (
            change_point(days, faults, 10, shuffles=199, seed=seed, level=most) for most in (1.0, level)
        )
        assert whole is not None
        assert early is not None
        assert early.installs_before == whole.installs_before
        assert (early.p_value <= level) == (whole.p_value <= level)
        assert early.p_value == whole.p_value or early.p_value > level
        stopped += early != whole
    assert stopped > 5


def test_a_p_value_that_stopped_early_is_still_one() -> None:
    """Without a change it is at most x with a chance of at most x, also above the level."""
    told = []
    for seed in range(400):
        days, faults = installs(np.random.default_rng(seed), [0.3], 40)
        found = change_point(days, faults, 10, shuffles=99, seed=seed, level=0.05)
        told.append(found.p_value if found else 1.0)

    for most in (0.05, 0.1, 0.2, 0.5):
        assert np.mean(np.array(told) <= most) <= most + 3 * np.sqrt(most * (1 - most) / 400)


def test_a_change_beyond_doubt_needs_no_draws(monkeypatch: pytest.MonkeyPatch) -> None:
    days, faults = installs(np.random.default_rng(1), [0.05, 0.6], 400)
    drawn = dict.fromkeys((0.0, 1e-06))
    for never in drawn:
        monkeypatch.setattr(change, "_NEVER", never)
        drawn[never] = change_point(days, faults, 20, shuffles=199, seed=0)

    assert drawn[0.0] == drawn[1e-6]
    monkeypatch.setattr(np.random, "default_rng", None)  # none is drawn
    assert change_point(days, faults, 20, shuffles=199, seed=0) == drawn[0.0]


def test_the_bound_is_never_below_the_true_chance() -> None:
    rest = np.array([3.0, -1, -1, 0.5, -2, 1.5, -1])
    splits = np.array([2, 3, 5])
    orders = np.array(list(itertools.permutations(rest)))
    sums = np.abs(np.cumsum(orders, axis=1)[:, splits - 1])

    for least in (1.0, 2.0, 3.0, 4.0, 5.0):
        true = (sums >= least).any(axis=1).mean()
        assert change._bound(rest, splits, np.full(3, least)) >= true


def test_no_crews() -> None:
    assert changes([], [], 20, shuffles=99, alpha=0.05) == []

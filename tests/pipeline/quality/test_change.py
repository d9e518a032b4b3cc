"""A crew that changed is seen to, and crews that didn't are left alone."""

from __future__ import annotations

import numpy as np

from pipeline.quality.change import change_point, changes


def installs(rng: np.random.Generator, rates: list[float], each: int) -> tuple[np.ndarray, np.ndarray]:
    """Days and faults of a crew whose rate goes through `rates`, `each` installs at every one."""
    faults = np.concatenate([(rng.random(each) < rate).astype(float) for rate in rates])
    return np.arange(faults.size) * 3, faults


def test_a_change_is_found_where_it_is() -> None:
    days, faults = installs(np.random.default_rng(1), [0.05, 0.5], 60)

    found = change_point(days, faults, 20, 999, 0)

    assert found is not None
    assert abs(found.at - 60) <= 8
    assert found.p_value == 0.001  # beyond all of the 999 random orders


def test_installs_of_one_day_are_not_torn_apart_and_few_installs_say_nothing() -> None:
    days, faults = installs(np.random.default_rng(1), [0.0, 1.0], 30)

    assert change_point(days // 1000, faults, 10, 99, 0) is None
    assert change_point(days, faults, 31, 99, 0) is None
    assert change_point(days, np.zeros(60), 10, 99, 0) is None


def test_there_and_back_are_two_changes() -> None:
    rng = np.random.default_rng(3)
    days, faults = installs(rng, [0.02, 0.6, 0.02], 60)

    (found,) = changes([days], [faults], 20, 999, 0.05)

    assert [round(one.at / 60) for one in found] == [1, 2]


def test_many_crews_that_did_not_change_are_left_alone() -> None:
    alarms = 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        crews = [installs(rng, [0.12], 50) for _ in range(8)]
        told = changes([days for days, _ in crews], [faults for _, faults in crews], 20, 199, 0.05)
        alarms += any(told)

    assert alarms <= 6  # 0.05 of 40 are 2; 6 or more is 1 in 80


def test_no_crews() -> None:
    assert changes([], [], 20, 99, 0.05) == []

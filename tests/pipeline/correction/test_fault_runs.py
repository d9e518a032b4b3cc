"""Runs of blocks and the days at their edges, by their log odds."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.correction.fault_runs import Run, first_day, last_run, threshold

NAN = float("nan")


@pytest.mark.parametrize(
    ("log_odds", "run"),
    [
        ([], None),
        ([-8, -8, -8], None),
        ([4, 4, 4], Run(0, 2)),
        ([-8, -8, 4, 4], Run(2, 3)),
        ([-8, 4, 4, -8, -8], Run(1, 2)),
        # a block that says little, or has no rows, parts nothing
        ([-8, 4, -1, NAN, 4], Run(1, 4)),
        # two plainly right blocks do
        ([4, 4, -8, -8, 4, 4], Run(4, 5)),
        # one faulty block between right ones is too little beside what two changes cost, at the end it is enough
        ([-8, -8, 4, -8, -8], None),
        ([-8, -8, 4], Run(2, 2)),
    ],
)
def test_the_last_run_of_blocks(log_odds: list[float], run: Run | None) -> None:
    assert last_run(np.array(log_odds, dtype=float)) == run


def test_what_a_home_shows_of_its_fault_now_sets_the_threshold() -> None:
    assert [threshold(now) for now in (6.0, 4.0, 2.0, 0.0, -5.0)] == [0.0, 0.0, -1.0, -2.0, -2.0]


def test_a_day_is_placed_at_the_step() -> None:
    days = np.array([-7, -8, -6, -7, 3, 4, 2, 3], dtype=float)

    assert first_day(days, earliest=0, must_change=True) == 4
    assert first_day(days, earliest=6, must_change=True) == 6


def test_days_that_look_right_after_the_step_are_left_out() -> None:
    days = np.array([-7, -8, 4, -7, 4, 4, 4, 4, 4, 4], dtype=float)

    assert first_day(days, earliest=3, must_change=True) == 4


def test_without_a_step_the_earliest_day_stands() -> None:
    days = np.array([1, 3, 2, 4, 3, 2], dtype=float)

    assert first_day(days, earliest=0, must_change=False) == 0
    assert first_day(days[:1], earliest=0, must_change=False) == 0


def test_a_clear_step_counts_though_the_blocks_saw_none() -> None:
    days = np.array([-6, -5, 3, 4, 3, 2], dtype=float)

    assert first_day(days, earliest=0, must_change=False) == 2

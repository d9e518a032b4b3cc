"""Monitors of family "weather": production off by a little, late by a part of an interval, looks now and then."""

import numpy as np
import pytest

from pipeline.faults.clamps import Reading
from pipeline.simulate.families.rough_monitor import Monitor

RAMP = np.arange(120, dtype=np.float64)
READING = Reading(RAMP + 2j, RAMP + 0j, RAMP)
MANNERS = Monitor.draw(np.random.default_rng(0), 15).manners


def test_drawn_monitors_are_within_what_is_told():
    drawn = [Monitor.draw(np.random.default_rng(seed), 15) for seed in range(400)]

    assert max(abs(one.gain - 1) for one in drawn) <= 0.04
    assert 0.1 < np.mean([one.late > 0 for one in drawn]) < 0.2
    assert {one.every_min for one in drawn} == {1, 2, 3, 5}
    assert max(one.manners.watt for one in drawn) == 10.0
    assert max(one.manners.volt for one in drawn) == 1.0


def test_production_is_late_and_off_and_the_legs_are_not():
    seen = Monitor(MANNERS, gain=1.02, late=0.5).averaged(READING, 10)

    assert seen.produced_w[3:] == pytest.approx(1.02 * (np.arange(3, 12) * 10 + 4.5 - 5))
    assert seen.l1_w == pytest.approx(np.arange(12) * 10 + 4.5)


def test_looking_now_and_then_sees_each_channel_at_its_own_moments():
    seen = Monitor(MANNERS, looks=(0, 4, 2), every_min=5).averaged(READING, 15)

    assert seen.l1_w[0] == pytest.approx(5.0)
    assert seen.l2_w[0] == pytest.approx(9.0)
    assert seen.pv_w[0] == pytest.approx(7.0)
    assert seen.l1_va.shape == (8,)

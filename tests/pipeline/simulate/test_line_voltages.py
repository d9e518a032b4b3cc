"""Voltages of three lines: equal loads sag them alike; an unequal one lifts the others by the neutral's drop."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.simulate import line_voltages
from pipeline.simulate.line_voltages import three_line_volts
from pipeline.simulate.plan import draw_plan
from pipeline.simulate.spec import FleetSpec

PLAN = replace(draw_plan(FleetSpec(1, 2, service="230/400", hard_share=0.0), 0), hard="")


def sag_v(net_va: list[complex], hard: str = "") -> np.ndarray:
    """Return by how much each line's voltage falls [V] under these loads; the feeder moves as without any."""
    plan, size = replace(PLAN, hard=hard), PLAN.window.size
    loaded, idle = (
        three_line_volts(plan, np.repeat(np.array(va)[:, None], size, axis=1), np.random.default_rng(4))
        for va in (net_va, [0j, 0j, 0j])
    )
    return (idle - loaded).mean(axis=1)


def test_equal_loads_need_no_neutral(monkeypatch):
    monkeypatch.setattr(line_voltages, "UNLIKE", 0.0)
    sags = sag_v([2300 + 0j] * 3)
    assert np.ptp(sags) < 0.02
    assert 0.1 <= sags.min() <= 1.0  # 10 A through 10 to 100 milliohm


def test_a_load_on_one_line_lifts_the_others_by_half_of_the_neutrals_drop():
    sags = sag_v([0j, 4600 + 0j, 0j])
    assert sags[1] > 0.4
    assert sags[0] < 0 > sags[2]
    loose = sag_v([0j, 4600 + 0j, 0j], hard="loose_neutral")
    # 20 A through 0.25 to 0.8 ohm of neutral: half of it lifts each of the others
    assert 2.4 < -loose[0] < 8.1
    assert loose[1] > 2 * -loose[0]


def test_the_feeder_moves_each_line_a_little_on_its_own():
    volts = three_line_volts(PLAN, np.zeros((3, PLAN.window.size), dtype=complex), np.random.default_rng(4))
    apart = volts - volts.mean(axis=0)
    assert apart.std(axis=1).min() > 0.05
    assert apart.std(axis=1).max() < volts.std(axis=1).max()

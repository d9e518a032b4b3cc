"""Leg voltages from the power-flow engine: the right sign and size of a sag, neighbours, a loose neutral."""

import numpy as np
import pytest

from pipeline.simulate.families.street import Drop, solve_street

STEPS = 192
NONE = np.zeros(STEPS, dtype=complex)


def _street(service="120/240", homes=4, seed=1, **first):
    """A street whose homes take 300 W a leg; the first one takes what is given on top."""
    base = NONE + 300.0
    added = {"leg_1_va": NONE, "leg_2_va": NONE, "line_va": NONE} | {
        name: power for name, power in first.items() if name != "has_loose_neutral"
    }
    loose = bool(first.get("has_loose_neutral", False))
    drops = [Drop(base + added["leg_1_va"], base + added["leg_2_va"], added["line_va"], loose)]
    drops += [Drop(base, base, NONE)] * (homes - 1)
    return solve_street(service, drops, minutes=15, rng=np.random.default_rng(seed))


def _steps_of(watts, seed=0):
    return watts * (np.random.default_rng(seed).random(STEPS) < 0.5) + 0j


def _slope(values, on):
    return float(np.polyfit(on.real / 1000, values, 1)[0])


@pytest.mark.parametrize("service", ["120/240", "120/208"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_leg_sags_under_its_own_load(service, seed):
    load = _steps_of(2000.0)

    on_1 = _street(service, seed=seed, leg_1_va=load)[0]
    on_2 = _street(service, seed=seed, leg_2_va=load)[0]

    assert -0.7 < _slope(on_1[0] - on_1[1], load) < -0.05  # V per kW
    assert 0.05 < _slope(on_2[0] - on_2[1], load) < 0.7
    assert np.all((on_1[0] > 110) & (on_1[0] < 130))


def test_a_load_between_the_legs_sags_both_alike_and_solar_raises_them():
    load = _steps_of(4000.0)

    rest_1, _ = _street()[0]
    v1, v2 = _street(line_va=load)[0]
    up_1, _ = _street(line_va=-load)[0]

    assert -0.5 < _slope(v1 - rest_1, load) < -0.02
    assert abs(_slope(v1 - v2, load)) < 0.02
    assert 0.02 < _slope(up_1 - rest_1, load) < 0.5


def test_neighbours_move_the_voltage_less_than_the_home_itself():
    load = _steps_of(5000.0)

    homes = _street(leg_1_va=load)

    own, neighbour = (_slope(v1 - v2, load) for v1, v2 in homes[:2])
    assert own < neighbour < -0.01


def test_a_loose_neutral_drives_the_legs_apart():
    load = _steps_of(2000.0)

    tight = _street(leg_1_va=load)[0]
    loose = _street(leg_1_va=load, has_loose_neutral=True)[0]

    assert _slope(loose[0] - loose[1], load) < 3 * _slope(tight[0] - tight[1], load)
    assert _slope(loose[1], load) > 0.5  # the other leg rises


def test_a_single_line_has_one_voltage_of_240():
    v1, v2 = _street("single", leg_1_va=_steps_of(3000.0))[0]

    assert np.all((v1 > 220) & (v1 < 255))
    assert np.all(v2 == 0)


def test_the_supply_wanders_by_itself():
    v1, v2 = _street()[3]

    assert 0.1 < np.std(v1) < 3.0
    assert np.std(v1 - v2) < 0.05

"""Leg voltages in closed form: the right sign and size of a sag, legs that are not alike, a loose neutral."""

import numpy as np
import pytest

from pipeline.simulate.families.street import Drop
from pipeline.simulate.families.unequal_service import draw_impedances, solve_service

STEPS = 400
NONE = np.zeros(STEPS, dtype=complex)


def _solve(service="120/240", homes=3, seed=1, **first):
    base = NONE + 300.0
    added = {"leg_1_va": NONE, "leg_2_va": NONE, "line_va": NONE} | {
        name: power for name, power in first.items() if name != "has_loose_neutral"
    }
    drops = [
        Drop(
            base + added["leg_1_va"],
            base + added["leg_2_va"],
            added["line_va"],
            bool(first.get("has_loose_neutral")),
        )
    ]
    drops += [Drop(base, base, NONE)] * (homes - 1)
    return solve_service(service, drops, minutes=15, rng=np.random.default_rng(seed))


def _steps_of(watts):
    return watts * (np.random.default_rng(0).random(STEPS) < 0.5) + 0j


def _slope(values, on):
    return float(np.polyfit(on.real / 1000, values, 1)[0])


def test_what_a_sag_shows_of_the_legs_differs_by_a_fifth_from_home_to_home():
    drawn = np.array([draw_impedances(np.random.default_rng(seed)) for seed in range(500)])

    assert np.std(np.log(drawn[:, 0].real / drawn[:, 1].real)) > 0.3
    shown = (drawn[:, :2] + 2 * drawn[:, 2:]).real
    assert 0.13 < np.std(np.log(shown[:, 0] / shown[:, 1])) < 0.25
    back = drawn[:, 2].real / np.sqrt(drawn[:, 0].real * drawn[:, 1].real)
    assert np.quantile(back, 0.05) == pytest.approx(0.5, abs=0.2)
    assert np.quantile(back, 0.95) == pytest.approx(3.0, abs=0.8)
    assert np.all(drawn.imag > 0)


@pytest.mark.parametrize("service", ["120/240", "120/208"])
@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_a_leg_sags_under_its_own_load_and_the_other_rises_or_stays(service, seed):
    load = _steps_of(2000.0)
    rest = _solve(service, seed=seed)[0]
    one, two = _solve(service, seed=seed, leg_1_va=load)[0], _solve(service, seed=seed, leg_2_va=load)[0]

    assert -1.2 < _slope(one[0] - one[1], load) < -0.04  # V per kW
    assert 0.04 < _slope(two[0] - two[1], load) < 1.2
    if service == "120/240":
        assert _slope(one[1] - rest[1], load) > 0  # the neutral carries it back
    assert np.all((one[0] > 105) & (one[0] < 135))


def test_solar_raises_both_legs():
    v1, v2 = _solve(line_va=-_steps_of(6000.0))[0]
    rest_1, rest_2 = _solve()[0]

    assert 0.01 < _slope(v1 - rest_1, _steps_of(6000.0)) < 0.6
    assert 0.01 < _slope(v2 - rest_2, _steps_of(6000.0)) < 0.6


def test_neighbours_move_the_voltage_less_than_the_home_itself():
    load = _steps_of(5000.0)
    before, after = _solve(), _solve(leg_1_va=load)

    own, neighbour = (_slope(after[at][0] - before[at][0], load) for at in (0, 1))
    assert own < neighbour < 0


def test_a_loose_neutral_drives_the_legs_apart_and_never_out_of_reason():
    load = _steps_of(3000.0)
    tight, loose = _solve(leg_1_va=load)[0], _solve(leg_1_va=load, has_loose_neutral=True)[0]

    assert np.std(loose[0] - loose[1]) > 2 * np.std(tight[0] - tight[1])
    assert np.all((loose[0] > 40) & (loose[1] < 220))


def test_a_single_line_has_one_voltage_of_240():
    v1, v2 = _solve("single", leg_1_va=_steps_of(3000.0))[0]

    assert np.all((v1 > 215) & (v1 < 260))
    assert np.all(v2 == 0)


def test_supply_and_strangers_move_both_legs_and_a_bit_of_the_difference():
    v1, v2 = _solve()[2]

    assert 0.1 < np.std(v1) < 4.0
    assert 0 < np.std(v1 - v2) < 0.5 * np.std(v1)

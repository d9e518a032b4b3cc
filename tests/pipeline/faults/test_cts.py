"""The table of signs that tells wirings apart: night sum, voltage difference, slope on production.

The voltages follow V1 = E - R I1 - Rn (I1 - I2) and V2 alike, I1 and I2 the in-phase utility currents.
"""

import numpy as np
import pytest

from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import CT, Wiring, measure

N = 4000
RNG = np.random.default_rng(11)
LOAD_1 = RNG.uniform(200, 2500, N)
LOAD_2 = RNG.uniform(200, 2500, N)
PV_W = np.where(np.arange(N) < N // 2, 0.0, RNG.uniform(0, 6000, N))  # first half is night
R, RN = 0.03, 0.02


def home(service="120/240", pv_w=PV_W):
    """A home whose legs sag with their own current; loads of unity power factor."""
    current_1, current_2 = (LOAD_1 - pv_w / 2) / 120, (LOAD_2 - pv_w / 2) / 120
    v1 = 120 - R * current_1 - RN * (current_1 - current_2)
    v2 = 120 - R * current_2 - RN * (current_2 - current_1)
    return Circuit.from_powers(np.array([LOAD_1, LOAD_2]), pv_w, volts=np.array([v1, v2]), service=service)


def wired(*steps, service="120/240"):
    """The reading after these (fault, leg) steps on a sound upstream wiring, and its circuit."""
    circuit = home(service)
    wiring = Wiring.sound(service)
    for fault, leg in steps:
        wiring = CATALOGUE[fault].effect(wiring, circuit, leg, np.random.default_rng(0))
    return circuit, measure(circuit, wiring)


def slopes_on_pv(reading):
    """Slope of each leg's changes on the changes of production, by day."""
    step = np.diff(PV_W[N // 2 :])
    return [np.polyfit(step, np.diff(leg[N // 2 :]), 1)[0] for leg in (reading.l1_w, reading.l2_w)]


def signs_of_sag(circuit, reading):
    """Signs of the regression of V1 - V2 on the two readings."""
    table = np.column_stack([reading.l1_w, reading.l2_w, np.ones(N)])
    fit = np.linalg.lstsq(table, np.subtract(*np.abs(circuit.volts)), rcond=None)[0]
    return np.sign(fit[:2]).tolist()


BOTH = [("reversed", "both")]
CROSSED = [("legs_crossed", "both")]
TABLE = {
    "right": ([], +1, [-1, +1], [-0.5, -0.5]),
    "both reversed": (BOTH, -1, [+1, -1], [+0.5, +0.5]),
    "legs crossed": (CROSSED, -1, [-1, +1], [+0.5, +0.5]),
    "crossed and both turned": (CROSSED + BOTH, +1, [+1, -1], [-0.5, -0.5]),
    "L1 reversed": ([("reversed", "l1")], None, [+1, +1], [+0.5, -0.5]),
    "L2 reversed": ([("reversed", "l2")], None, [-1, -1], [-0.5, +0.5]),
}


@pytest.mark.parametrize("state", TABLE)
def test_each_state_has_its_signs(state):
    steps, night_sign, sag, slopes = TABLE[state]
    circuit, reading = wired(*steps)
    if night_sign is not None:
        night = (reading.l1_w + reading.l2_w)[: N // 2]
        assert (np.sign(night) == night_sign).all()
    assert signs_of_sag(circuit, reading) == sag
    np.testing.assert_allclose(slopes_on_pv(reading), slopes, atol=0.03)


def test_both_clamps_on_one_leg_sum_to_nothing():
    circuit = home()
    wiring = Wiring.sound()
    reading = measure(circuit, wiring.with_cts("l2", wiring.cts("l1")))
    assert np.abs(reading.l1_w + reading.l2_w).max() < 0.02 * np.abs(reading.l1_w).max()
    assert np.corrcoef(reading.l1_w, reading.l2_w)[0, 1] < -0.999
    np.testing.assert_allclose(slopes_on_pv(reading), [-0.5, 0.5], atol=0.03)


def test_both_on_one_leg_with_the_second_turned_is_a_copy_by_the_voltages_ratio():
    circuit = home()
    wiring = Wiring.sound()
    turned = CT(1, 1.0, 1.0, 1.0, is_turned=True)
    reading = measure(circuit, wiring.with_cts("l2", (turned,)))
    np.testing.assert_allclose(reading.l2_w, reading.l1_w * np.divide(*np.abs(circuit.volts[::-1])))


def test_crossed_on_208_is_half_size_negative_and_reactive():
    circuit, reading = wired(*CROSSED, service="120/208")
    night = slice(0, N // 2)
    np.testing.assert_allclose(reading.l1_w[night], -0.5 * LOAD_2[night], rtol=0.03)
    assert (np.abs(reading.l1_var[night]) > 0.8 * LOAD_2[night]).all()
    assert circuit.service == "120/208"


@pytest.mark.parametrize("service", ["120/240", "120/208"])
def test_position_and_count_of_clamps_decide_the_slope(service):
    circuit = home(service)
    expected = {(True, 1): -0.5, (True, 2): -0.5, (False, 1): 0.0, (False, 2): 0.0}
    for (sees_pv, count), slope in expected.items():
        reading = measure(circuit, Wiring.sound(service, sees_pv, count))
        np.testing.assert_allclose(slopes_on_pv(reading), [slope, slope], atol=0.03)
    one_missing = Wiring.sound(service, True, 2).with_cts("l1", (CT(1, 0.5, 0.5, 0.5),))
    np.testing.assert_allclose(slopes_on_pv(measure(circuit, one_missing)), [-0.25, -0.5], atol=0.03)


def test_with_production_added_back_a_reversed_clamp_rises_by_a_whole_watt_a_watt():
    circuit = home()
    sound = Wiring.sound(pv_added_back=True)
    np.testing.assert_allclose(slopes_on_pv(measure(circuit, sound)), [0, 0], atol=0.03)
    turned = CATALOGUE["reversed"].effect(sound, circuit, "both", np.random.default_rng(0))
    np.testing.assert_allclose(slopes_on_pv(measure(circuit, turned)), [1, 1], atol=0.03)


def test_a_clipping_source_hides_a_reversed_clamp_at_night():
    circuit = home()
    sound = Wiring.sound(pv_added_back=True, is_clipped=True)
    turned = CATALOGUE["reversed"].effect(sound, circuit, "l1", np.random.default_rng(0))
    reading = measure(circuit, turned)
    assert (reading.l1_w[: N // 2] == 0).all()
    assert reading.l1_w[N // 2 :].max() > 1000


@pytest.mark.parametrize("by", ["line", "leg"])
@pytest.mark.parametrize("leg", [1, 2])
@pytest.mark.parametrize("service", ["120/240", "120/208"])
def test_production_is_metered_right_however_its_clamp_sits(by, leg, service):
    reading = measure(home(service), Wiring.sound(service, production_by=by, production_leg=leg))
    np.testing.assert_allclose(reading.pv_w, PV_W, rtol=0.03, atol=1e-9)


def test_production_of_an_inverter_on_one_leg_is_metered_right():
    for pv_leg in ("l1", "l2"):
        circuit = Circuit.from_powers(np.array([LOAD_1, LOAD_2]), PV_W, pv_lines=(pv_leg,))
        np.testing.assert_allclose(measure(circuit, Wiring.sound(pv_lines=(pv_leg,))).pv_w, PV_W)


def test_means_of_a_reading_and_a_change_half_way():
    circuit = home()
    before = measure(circuit, Wiring.sound())
    wiring = CATALOGUE["reversed"].effect(Wiring.sound(), circuit, "l1", np.random.default_rng(0))
    joined = before.then(measure(circuit, wiring), start=100)
    np.testing.assert_array_equal(joined.l1_w[:100], before.l1_w[:100])
    np.testing.assert_array_equal(joined.l1_w[100:], -before.l1_w[100:])
    np.testing.assert_allclose(before.averaged(4).l1_w[0], before.l1_w[:4].mean())

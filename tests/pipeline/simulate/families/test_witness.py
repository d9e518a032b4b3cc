"""The witness says of a wiring what a probe of each kind would show, straight from `measure`."""

from math import log

import numpy as np
import pytest

from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring
from pipeline.simulate.families.witness import WITNESS_COLUMNS, BundleShares, witness

EVEN = BundleShares(0.5, 0.5, 0.5)
MINUTES = 3 * 1440
CIRCUIT = Circuit.from_powers(np.full((2, MINUTES), [[500.0], [400.0]]), np.full(MINUTES, 800.0), minutes=1.0)


def _with(fault, leg, wiring=None, shares=EVEN):
    wiring = wiring or Wiring.sound()
    broken = CATALOGUE[fault].effect(wiring, CIRCUIT, leg, np.random.default_rng(1))
    return witness(broken, shares, True, pv_leg="both")


def test_a_right_upstream_home_answers_half_of_pv_on_each_leg():
    seen = witness(Wiring.sound(), EVEN, True, pv_leg="both")

    assert tuple(seen) == WITNESS_COLUMNS
    assert (seen["witness_pv_l1"], seen["witness_pv_l2"]) == (-0.5, -0.5)
    assert (seen["witness_load_l1"], seen["witness_load_l2"]) == (1.0, 1.0)
    assert (seen["witness_cross_l1"], seen["witness_cross_l2"]) == (0.0, 0.0)
    assert seen["witness_pair"] == 0.0
    assert (seen["witness_alive_l1"], seen["witness_offset_l1_w"]) == (1.0, 0.0)


def test_other_right_homes():
    downstream = witness(Wiring.sound(ct_sees_pv=False), EVEN, True, pv_leg="both")
    added_back = witness(Wiring.sound(pv_added_back=True, is_clipped=True), EVEN, True, pv_leg="both")
    one_leg = witness(Wiring.sound(pv_lines=("l2",)), EVEN, True, pv_leg="l2")
    single = witness(Wiring.sound("single"), BundleShares(0.5, 0.5, None), True, pv_leg="both")
    dark = witness(Wiring.sound(), EVEN, False, pv_leg="both")

    assert (downstream["witness_pv_l1"], downstream["witness_load_l1"]) == (0.0, 1.0)
    assert (added_back["witness_pv_l1"], added_back["witness_pv_l2"]) == (0.0, 0.0)
    assert (one_leg["witness_pv_l1"], one_leg["witness_pv_l2"]) == (0.0, -1.0)
    assert (single["witness_pv_l1"], single["witness_pv_l2"], single["witness_pair"]) == (-1.0, None, None)
    assert dark["witness_pv_l1"] is None


def test_faults_show_as_the_trade_says():
    assert _with("reversed", "l1")["witness_pv_l1"] == 0.5
    assert _with("reversed", "l1")["witness_load_l1"] == -1.0
    assert _with("legs_crossed", "both")["witness_cross_l1"] == -1.0
    assert _with("legs_crossed", "both")["witness_load_l1"] == 0.0
    assert _with("dead", "l2")["witness_alive_l2"] == 0.0
    assert _with("dead", "l2")["witness_load_l2"] == 0.0
    assert abs(_with("same_leg", "l2")["witness_cross_l2"]) == 1.0
    assert 0.5 < _with("intermittent", "l1")["witness_alive_l1"] < 1.0
    assert _with("pickup_noise", "l1")["witness_offset_l1_w"] > 1.0
    assert _with("pickup_noise", "l1")["witness_cross_l1"] != 0.0


def test_a_reversed_leg_with_production_added_back_and_clipped_says_nothing():
    seen = _with("reversed", "both", Wiring.sound(pv_added_back=True, is_clipped=True))

    assert (seen["witness_load_l1"], seen["witness_pv_l1"]) == (0.0, 0.0)


@pytest.mark.parametrize("share", [0.2, 0.7])
def test_a_missing_bundle_counts_by_where_the_homes_energy_lies(share):
    pair = Wiring.sound(ct_sees_pv=False, cts_per_leg=2)

    seen = _with("partial", "l1", pair, BundleShares(share, 0.5, share))

    kept = seen["witness_load_l1"]
    assert min(abs(kept - share), abs(kept - (1 - share))) < 1e-6
    assert seen["witness_pair"] == pytest.approx(-log(kept), abs=1e-4)


def test_bundles_of_a_circuit_carry_their_own_power():
    bundles_a, bundles_b = np.array([[100.0 + 10j], [300.0 + 0j]]), np.array([[300.0 + 0j], [100.0 + 10j]])

    circuit = Circuit.from_bundles(bundles_a, bundles_b, np.zeros(1), volts=np.array([[118.0], [122.0]]))

    assert np.allclose(circuit.volts * np.conj(circuit.load_a), bundles_a)
    assert np.allclose(circuit.volts * np.conj(circuit.load_b), bundles_b)
    assert np.allclose(circuit.load_va, 400.0 + 10j)

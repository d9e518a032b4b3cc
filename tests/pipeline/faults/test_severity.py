"""The severities that effects draw stay within what happens on site."""

import numpy as np
import pytest

from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring, measure

N = 14 * 96
LOAD = np.full(N, 1000.0 + 300.0j)
CIRCUIT = Circuit.from_powers(np.array([LOAD, LOAD]), np.zeros(N))
SEEDS = range(30)


def l1_after(name, seed, sound=None):
    wiring = CATALOGUE[name].effect(sound or Wiring.sound(), CIRCUIT, "l1", np.random.default_rng(seed))
    return measure(CIRCUIT, wiring)


def test_a_dead_leg_rustles_by_a_few_watts_only():
    assert max(np.abs(l1_after("dead", seed).l1_w).max() for seed in SEEDS) < 60


@pytest.mark.parametrize("sees_pv", [True, False])
def test_a_partial_leg_keeps_some_of_its_load(sees_pv):
    shares = {
        round(l1_after("partial", seed, Wiring.sound(ct_sees_pv=sees_pv)).l1_w[0] / 1000, 3) for seed in SEEDS
    }
    assert min(shares) >= 0.3
    assert max(shares) <= 0.75
    assert 0.5 in shares


def test_a_loose_core_reads_low_and_turns_reactive_power():
    for seed in SEEDS:
        reading = l1_after("loose_core", seed)
        gain = np.abs(reading.va[0, 0]) / np.abs(LOAD[0])
        lead_deg = np.rad2deg(np.angle(LOAD[0]) - np.angle(reading.va[0, 0]))
        assert 0.4 <= gain <= 0.92
        assert 2.999 <= lead_deg <= 25.001


def test_an_intermittent_leg_is_sometimes_gone_and_otherwise_untouched():
    for seed in SEEDS:
        power = l1_after("intermittent", seed).l1_w
        assert (power < 999).any()
        assert (power >= 0).all()
        assert np.median(power) == pytest.approx(1000) or (power < 999).mean() > 0.5


def test_pickup_wanders_and_leaks():
    quiet = Circuit.from_powers(np.array([0 * LOAD, LOAD * (np.arange(N) < N // 2)]), np.zeros(N))
    for seed in SEEDS:
        wiring = CATALOGUE["pickup_noise"].effect(Wiring.sound(), quiet, "l1", np.random.default_rng(seed))
        assert 0.05 <= abs(wiring.leaks["l1", "l2"]) <= 0.30
        power = measure(quiet, wiring).l1_w
        assert power.std() > 5
        assert 5 < wiring.offset_w("l1").std() < 700


def test_a_pair_of_parallel_conductors_opposed_nearly_cancels():
    for seed in SEEDS:
        assert abs(l1_after("opposed_pair", seed, Wiring.sound(cts_per_leg=2)).l1_w[0]) < 250

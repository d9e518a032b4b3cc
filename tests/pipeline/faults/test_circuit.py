"""A circuit's powers are the ones it was made from, on every service."""

import numpy as np
import pytest

from pipeline.faults.circuit import Circuit, line_to_line_va

N = 50
RNG = np.random.default_rng(7)
LOAD_1 = RNG.uniform(100, 3000, N) + 1j * RNG.uniform(0, 600, N)
LOAD_2 = RNG.uniform(100, 3000, N) + 1j * RNG.uniform(0, 600, N)
PV_W = RNG.uniform(0, 6000, N)


@pytest.mark.parametrize("service", ["120/240", "120/208"])
def test_the_powers_put_in_are_the_powers_found(service):
    circuit = Circuit.from_powers(LOAD_1, LOAD_2, PV_W, v1=121.0, v2=118.0, service=service)
    load_1, load_2 = circuit.load_va
    np.testing.assert_allclose(load_1, LOAD_1)
    np.testing.assert_allclose(load_2, LOAD_2)
    source_1, source_2 = circuit.source_va
    np.testing.assert_allclose((source_1 + source_2).real, PV_W)


def test_an_inverter_between_the_legs_feeds_half_into_each():
    circuit = Circuit.from_powers(LOAD_1, LOAD_2, PV_W)
    np.testing.assert_allclose(circuit.source_va[0], PV_W / 2)
    np.testing.assert_allclose(circuit.source_va[1], PV_W / 2)
    # 208 V: half the real power on each, with reactive power the other way round on each.
    source_1, source_2 = Circuit.from_powers(LOAD_1, LOAD_2, PV_W, service="120/208").source_va
    np.testing.assert_allclose(source_1, PV_W * (0.5 - 0.5j / np.sqrt(3)))
    np.testing.assert_allclose(source_2, PV_W * (0.5 + 0.5j / np.sqrt(3)))


@pytest.mark.parametrize("pv_leg", ["l1", "l2"])
def test_an_inverter_on_one_leg_feeds_that_leg_only(pv_leg):
    sources = Circuit.from_powers(LOAD_1, LOAD_2, PV_W, pv_leg=pv_leg).source_va
    fed, other = sources if pv_leg == "l1" else sources[::-1]
    np.testing.assert_allclose(fed, PV_W)
    np.testing.assert_array_equal(other, 0)


def test_a_single_service_has_everything_on_its_one_line():
    circuit = Circuit.from_powers(LOAD_1, LOAD_2, PV_W, battery_w=200.0, v1=230.0, v2=0.0, service="single")
    np.testing.assert_allclose(circuit.load_va[0], LOAD_1)
    np.testing.assert_array_equal(circuit.load_va[1], 0)
    np.testing.assert_allclose(circuit.source_va[0], PV_W + 200.0)


@pytest.mark.parametrize("service", ["120/240", "120/208", "single"])
def test_a_load_between_the_legs_draws_its_whole_power(service):
    one, two = line_to_line_va(np.array([4000.0 + 1000.0j]), 121.0, 119.0, service=service)
    np.testing.assert_allclose(one + two, 4000.0 + 1000.0j)


def test_bundles_share_the_leg_as_told():
    circuit = Circuit.from_powers(LOAD_1, LOAD_2, PV_W, bundle_share=0.3)
    np.testing.assert_allclose(circuit.load_1a / (circuit.load_1a + circuit.load_1b), 0.3)

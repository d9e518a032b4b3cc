"""A circuit's powers are the ones it was made from, on every service."""

import numpy as np
import pytest

from pipeline.core.services import service_of
from pipeline.faults.circuit import Circuit, line_to_line_va

N = 50
RNG = np.random.default_rng(7)
LOADS_VA = np.array([RNG.uniform(100, 3000, N) + 1j * RNG.uniform(0, 600, N) for _ in range(2)])
PV_W = RNG.uniform(0, 6000, N)


@pytest.mark.parametrize("service", ["120/240", "120/208"])
def test_the_powers_put_in_are_the_powers_found(service):
    circuit = Circuit.from_powers(LOADS_VA, PV_W, volts=np.array([[121.0], [118.0]]), service=service)
    np.testing.assert_allclose(circuit.load_va, LOADS_VA)
    source_1, source_2 = circuit.source_va
    np.testing.assert_allclose((source_1 + source_2).real, PV_W)


def test_an_inverter_between_the_legs_feeds_half_into_each():
    circuit = Circuit.from_powers(LOADS_VA, PV_W)
    np.testing.assert_allclose(circuit.source_va[0], PV_W / 2)
    np.testing.assert_allclose(circuit.source_va[1], PV_W / 2)
    # 208 V: half the real power on each, with reactive power the other way round on each.
    source_1, source_2 = Circuit.from_powers(LOADS_VA, PV_W, service="120/208").source_va
    np.testing.assert_allclose(source_1, PV_W * (0.5 - 0.5j / np.sqrt(3)))
    np.testing.assert_allclose(source_2, PV_W * (0.5 + 0.5j / np.sqrt(3)))


@pytest.mark.parametrize("pv_leg", ["l1", "l2"])
def test_an_inverter_on_one_leg_feeds_that_leg_only(pv_leg):
    sources = Circuit.from_powers(LOADS_VA, PV_W, pv_lines=(pv_leg,)).source_va
    fed, other = sources if pv_leg == "l1" else sources[::-1]
    np.testing.assert_allclose(fed, PV_W)
    np.testing.assert_array_equal(other, 0)


def test_a_single_service_has_everything_on_its_one_line():
    circuit = Circuit.from_powers(LOADS_VA[:1], PV_W, battery_w=200.0, volts=230.0, service="single")
    np.testing.assert_allclose(circuit.load_va, LOADS_VA[:1])
    np.testing.assert_allclose(circuit.source_va, [PV_W + 200.0])


@pytest.mark.parametrize("service", ["120/240", "120/208", "single"])
def test_a_load_between_the_legs_draws_its_whole_power(service):
    volts = np.array([[121.0], [119.0]])[: service_of(service).line_count]
    drawn = line_to_line_va(np.array([4000.0 + 1000.0j]), volts, service=service)
    np.testing.assert_allclose(drawn.sum(axis=0), 4000.0 + 1000.0j)


def test_bundles_share_the_leg_as_told():
    circuit = Circuit.from_powers(LOADS_VA, PV_W, bundle_share=0.3)
    np.testing.assert_allclose(circuit.load_a / circuit.load, 0.3)

"""How many of a fleet's homes are faulty, by their evidence alone."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.scoring.fleet_normal import LEAST, MOST, fleet_rate

STRENGTH = 3.0  # standard deviations that the evidence of a faulty home lies off a sound one's


def evidence(homes: int, rate: float, seed: int) -> NDArray[np.float64]:
    """Ln of how many times likelier each home's data are under a fault: a normal shift, told exactly."""
    rng = np.random.default_rng(seed)
    is_faulty = np.arange(homes) < round(rate * homes)
    seen = rng.normal(np.where(is_faulty, STRENGTH, 0.0), 1.0)
    return STRENGTH * seen - STRENGTH**2 / 2


@pytest.mark.parametrize("usual", [0.02, 0.05, 0.15])
@pytest.mark.parametrize("rate", [0.01, 0.05, 0.2])
def test_the_share_is_recovered_whatever_is_usual(rate: float, usual: float) -> None:
    found = [fleet_rate(evidence(4000, rate, seed), usual, 40.0) for seed in range(5)]

    # drawn to the usual share by forty homes of four thousand, and by three standard errors
    slack = 40 / 4000 * abs(usual - rate) + 3 * np.sqrt(1.5 * rate / 4000)
    assert np.abs(np.array(found) - rate).max() < slack


@pytest.mark.parametrize("seed", range(5))
def test_a_fleet_without_a_fault_has_hardly_any(seed: int) -> None:
    assert fleet_rate(evidence(2000, 0.0, seed), 0.05, 40.0) < 0.01


def test_few_homes_stay_near_the_usual_share() -> None:
    for seed in range(5):
        assert fleet_rate(evidence(3, 0.0, seed), 0.05, 40.0) == pytest.approx(0.05, rel=0.1)
    one_faulty = fleet_rate(np.array([8.0, -4.0, -5.0]), 0.05, 40.0)
    assert 0.05 < one_faulty < 0.08
    assert fleet_rate(np.empty(0), 0.05, 40.0) == 0.05


def test_homes_that_say_nothing_say_nothing_of_the_share() -> None:
    assert fleet_rate(np.zeros(1000), 0.05, 40.0) == pytest.approx(0.05, rel=1e-3)


def test_the_share_keeps_its_limits() -> None:
    assert fleet_rate(np.full(5000, 30.0), 0.05, 1.0) == MOST
    assert fleet_rate(np.full(500_000, -30.0), 0.05, 1.0) == LEAST
    assert np.isfinite(fleet_rate(np.array([1e6, -1e6]), 0.05, 40.0))


def test_the_order_of_homes_is_no_matter() -> None:
    told = evidence(500, 0.1, 1)

    assert fleet_rate(told, 0.05, 40.0) == fleet_rate(told[::-1].copy(), 0.05, 40.0)

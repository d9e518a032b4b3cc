"""Ratios that are one of the known ones, and those that are not."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.correction.known_ratios import snap_ratios
from pipeline.faults.catalogue import CATALOGUE

KNOWN = np.array([[0.25, 0.3, 0.5, 0.75, 2.0]])
NAN = float("nan")


def snapped(ratio: float, error: float, known: np.ndarray = KNOWN) -> tuple[float, bool]:
    value, is_known = snap_ratios(np.log([ratio]), np.array([error]), known)
    return float(np.exp(value[0])), bool(is_known[0])


def test_a_ratio_near_one_known_is_that_one() -> None:
    assert snapped(0.51, 0.03) == (pytest.approx(0.5), True)
    assert snapped(1.95, 0.04) == (pytest.approx(2.0), True)


@pytest.mark.parametrize(
    ("ratio", "error"),
    [
        (0.275, 0.05),  # between two
        (0.27, 0.2),  # near two, by its error
        (0.5, 0.39),  # could be others
        (0.6, 0.03),  # none of them
        (1.3, 0.03),
    ],
)
def test_a_ratio_that_may_be_another_stays_as_it_is(ratio: float, error: float) -> None:
    assert snapped(ratio, error) == (pytest.approx(ratio), False)


def test_nothing_known_is_nothing_taken() -> None:
    assert snapped(0.5, 0.03, np.full((1, 2), NAN)) == (pytest.approx(0.5), False)
    assert snapped(0.5, 0.03, np.empty((1, 0))) == (pytest.approx(0.5), False)
    assert not snapped(NAN, NAN)[1]


def test_a_wrong_ratio_is_seldom_taken() -> None:
    """Estimates of ratios anywhere, a tenth of all: of those taken for a known one, few are wrong."""
    rng = np.random.default_rng(3)
    is_other = rng.random(20_000) < 0.1
    true = np.where(
        is_other, rng.uniform(np.log(0.13), np.log(8.0), 20_000), np.log(rng.choice(KNOWN[0], 20_000))
    )
    error = rng.uniform(0.01, 0.2, 20_000)
    value, is_known = snap_ratios(true + rng.normal(0, error), error, np.repeat(KNOWN, 20_000, axis=0))

    wrong = np.abs(value - true)[is_known] > 1e-9
    assert is_known.mean() > 0.3
    assert wrong.mean() < 0.05


def test_the_catalogue_says_which_ratios_are_known() -> None:
    known = {name: fault.known_ratios for name, fault in CATALOGUE.items() if fault.known_ratios}
    assert list(known) == [name for name, fault in CATALOGUE.items() if "ratio" in fault.inverse_needs]
    assert all(0.1 < ratio < 10 and ratio != 1 for ratios in known.values() for ratio in ratios)

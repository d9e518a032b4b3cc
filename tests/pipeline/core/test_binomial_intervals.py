"""Intervals and tails against published values, scipy and statsmodels."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from pipeline.core.binomial_intervals import clopper_pearson, upper_tail, wilson

COUNTS = [(0, 20), (1, 29), (4, 20), (15, 148), (81, 263), (20, 20)]


def ends(interval: tuple[np.ndarray, np.ndarray]) -> list[float]:
    return [float(end[0]) for end in interval]


@pytest.mark.parametrize(
    ("faults", "homes", "low", "high"),
    [
        # Newcombe, Stat. Med. 17:857, 1998, method 3
        (81, 263, 0.255289, 0.366210),
        (15, 148, 0.062386, 0.160487),
        (0, 20, 0, 0.161125),
        (1, 29, 0.006113, 0.171755),
    ],
)
def test_wilson_as_published(faults: int, homes: int, low: float, high: float) -> None:
    assert ends(wilson(np.array([faults]), np.array([homes]))) == pytest.approx([low, high], abs=1e-6)


@pytest.mark.parametrize(("faults", "homes"), COUNTS)
def test_wilson_and_clopper_pearson_against_statsmodels(faults: int, homes: int) -> None:
    one = np.array([faults]), np.array([homes])

    assert ends(wilson(*one)) == pytest.approx(proportion_confint(faults, homes, method="wilson"), abs=1e-9)
    assert ends(clopper_pearson(*one)) == pytest.approx(
        proportion_confint(faults, homes, method="beta"), abs=1e-9
    )


def test_clopper_pearson_as_published() -> None:
    # NIST/SEMATECH e-Handbook 7.2.4.2: 4 of 20 at 90 %
    found = ends(clopper_pearson(np.array([4]), np.array([20]), confidence=0.9))

    assert found == pytest.approx([0.071354, 0.401028], abs=1e-6)


def test_wilson_of_an_expected_count_lies_between_its_neighbours() -> None:
    low, high = wilson(np.array([3, 3.4, 4]), np.full(3, 30.0))

    assert np.all(np.diff(low) > 0)
    assert np.all(np.diff(high) > 0)
    assert ends(wilson(np.zeros(1), np.zeros(1))) == [0, 1]


def test_the_tail_is_the_binomials_for_whole_counts_and_runs_through_them() -> None:
    counts = np.arange(0, 13.0)
    tail = upper_tail(counts, np.full(13, 12.0), 0.3)

    assert tail == pytest.approx(stats.binom.sf(counts - 1, 12, 0.3), abs=1e-12)
    between = upper_tail(counts[1:-1] + 0.5, np.full(11, 12.0), 0.3)
    assert np.all((between < tail[1:-1]) & (between > tail[2:]))

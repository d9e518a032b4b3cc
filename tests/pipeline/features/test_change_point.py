"""One step in several series: what an exhaustive search by the change-point library finds, ties included."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import ruptures
from numpy.typing import NDArray
from ruptures.base import BaseCost

from pipeline.features.change_point import place_steps

Float = NDArray[np.float64]


class WeightedLevels(BaseCost):  # type: ignore[misc]
    """Weighted squares of a stretch about each series' own mean."""

    model = "weighted levels"
    min_size = 1

    def fit(self, signal: Float) -> WeightedLevels:
        self.signal = signal
        self.values, self.weights = np.split(signal, 2, axis=1)
        return self

    def error(self, start: int, end: int) -> float:
        value, weight = self.values[start:end], self.weights[start:end]
        mean = (weight * value).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-12)
        return float((weight * (value - mean) ** 2).sum())


def by_library(values: Float, weights: Float) -> int | None:
    """The first of the best splits, then on to the last that fits as well."""
    known = np.flatnonzero(weights.sum(axis=0) > 0)
    if known.size < 2:
        return None
    cost = WeightedLevels()
    signal = np.hstack([values[:, known].T, weights[:, known].T])
    at = int(ruptures.Dynp(custom_cost=cost, min_size=1, jump=1).fit(signal).predict(n_bkps=1)[0])
    least = cost.error(0, at) + cost.error(at, known.size)
    while at + 1 < known.size and cost.error(0, at + 1) + cost.error(at + 1, known.size) <= least + 1e-6:
        at += 1
    return int(known[at])


def noisy(rng: Any) -> Float:
    return rng.normal(0, 1, (3, 60, 14)) + np.where(np.arange(14) < rng.integers(1, 13, (60, 1)), 0, 2)


def stepped(rng: Any) -> Float:
    """Noughts and ones: many splits are exactly as good as each other, side by side or far apart."""
    return rng.integers(0, 2, (3, 60, 14)).astype(float)


@pytest.mark.parametrize("kind", [noisy, stepped])
@pytest.mark.parametrize("seed", [1, 2])
def test_the_step_is_where_an_exhaustive_search_finds_it(kind: Any, seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = kind(rng)
    weights = np.where(rng.random(values.shape) < 0.3, 0.0, rng.choice([1.0, 4.0, 600.0], values.shape))
    weights[:, rng.random(values.shape[1:]) < 0.3] = 0  # whole days of which nothing is known

    found = place_steps(np.where(weights > 0, values, 0.0), weights)

    wanted = [by_library(values[:, home], weights[:, home]) for home in range(values.shape[1])]
    assert found == wanted
    assert len(set(wanted)) > 5


def test_of_splits_that_fit_alike_it_is_the_last() -> None:
    """Nothing is known of days 3 and 4 of the one series that moves, while another is known and level."""
    values = np.array([[[0, 0, 0, 0, 0, 5, 5, 5]], [[1] * 8]], dtype=float)
    weights = np.array([[[1, 1, 1, 0, 0, 1, 1, 1]], [[1] * 8]], dtype=float)

    assert place_steps(values, weights) == [5]


def test_a_single_day_has_no_step() -> None:
    weights = np.zeros((2, 2, 5))
    weights[0, 0, 3] = 1

    assert place_steps(np.ones((2, 2, 5)), weights) == [None, None]
    assert place_steps(np.ones((2, 0, 5)), np.ones((2, 0, 5))) == []

"""Where visits go, and what a visited home then speaks for."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from pipeline.crews.visiting import doubly_robust, visit_chance, visit_columns, visit_weight


def fleet(rng: np.random.Generator, homes: int = 4000) -> tuple[np.ndarray, ...]:
    """Log odds, likelihood, whether wrong, chance of a visit: the likelier a fault, the likelier a visit."""
    log_odds = rng.normal(-2.5, 1.5, homes)
    likelihood = special.expit(log_odds)
    wrong = (rng.random(homes) < likelihood).astype(float)
    return log_odds, likelihood, wrong, special.expit(0.8 * log_odds)


def test_the_probability_of_a_visit_is_found_from_the_likelihood() -> None:
    rng = np.random.default_rng(1)
    log_odds, _, _, chance = fleet(rng)
    seen = rng.random(chance.size) < chance

    found = visit_chance(visit_columns(log_odds, np.empty((chance.size, 0))), seen)

    assert np.abs(found - chance).mean() < 0.02


def test_an_unlikely_visit_counts_more_but_not_without_end() -> None:
    weight = visit_weight(np.array([0.5, 0.25, 0.001]), most=8)

    assert weight.mean() == pytest.approx(1)
    assert weight[1] / weight[0] == pytest.approx(2)
    assert weight[2] / weight[0] == pytest.approx(8)
    assert visit_weight(np.empty(0), most=8).size == 0


def test_one_odd_visit_does_not_make_the_rate_anything() -> None:
    """A home that nobody would have gone to, visited and wrong, stands for fifty homes and not for a thousand."""
    rng = np.random.default_rng(4)
    log_odds, _, wrong, chance = fleet(rng, 2500)
    seen = rng.random(chance.size) < chance
    seen[np.argmin(log_odds)] = True
    odd = np.arange(log_odds.size) == np.argmin(log_odds)
    columns = visit_columns(log_odds, np.empty((log_odds.size, 0)))
    pi = visit_chance(columns, seen)

    rates = [
        doubly_robust(special.expit(log_odds), found, seen, chance=pi)[0]
        for found in (np.where(odd, 0.0, wrong), np.where(odd, 1.0, wrong))
    ]

    assert pi[odd] < 0.02
    assert rates[1] - rates[0] == pytest.approx(50 / 2500)


@pytest.mark.parametrize("overstated", [0.0, 0.7])
def test_the_weighted_rate_is_right_though_visits_go_to_the_faults_and_likelihoods_are_off(
    overstated: float,
) -> None:
    misses, errors = [], []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        log_odds, _, wrong, chance = fleet(rng, 2500)
        seen = rng.random(chance.size) < chance
        told = log_odds + overstated
        columns = visit_columns(told, np.empty((told.size, 0)))
        pi = visit_chance(columns, seen)
        rate, low, high = doubly_robust(special.expit(told), wrong, seen, chance=pi)
        misses.append(rate - special.expit(log_odds).mean())
        errors.append((special.logit(high) - special.logit(low)) / 3.92 * rate * (1 - rate))

    spread = np.std(misses, ddof=1)
    assert abs(np.mean(misses)) < 2.5 * spread / np.sqrt(40)
    assert np.mean(errors) == pytest.approx(spread, rel=0.3)
    assert wrong[seen].mean() > 1.8 * wrong.mean()  # what a table of visits would say

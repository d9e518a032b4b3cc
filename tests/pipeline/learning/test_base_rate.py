"""The base rate from visits: right although only suspected homes are visited, held back where visits are few."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.special import expit, logit

from pipeline.learning.base_rate import BaseRate, base_rate, fault_mix

SHIPPED, TRUE_RATE, HOMES = 0.05, 0.15, 3000


def fleet(rng: np.random.Generator, rate: float = TRUE_RATE) -> tuple[np.ndarray, np.ndarray]:
    """Likelihoods at the shipped rate, and the truth, of homes whose evidence [log odds] is stated rightly.

    Normals of variance v around +v/2 (faulty) and -v/2 (sound) have just this as their log odds.
    """
    is_faulty = rng.random(HOMES) < rate
    spread = 2.0
    told = np.where(is_faulty, 0.5, -0.5) * spread**2 + spread * rng.standard_normal(HOMES)
    return expit(told + logit(SHIPPED)), is_faulty


def estimate(likelihoods: np.ndarray, is_faulty: np.ndarray) -> BaseRate:
    return base_rate(likelihoods, is_faulty, SHIPPED, prior_rate=SHIPPED, prior_homes=20.0, slope_sd=0.1)


def test_visits_to_suspects_only_give_the_fleets_rate() -> None:
    """Of 200 fleets with the 400 likeliest homes visited: the mean is right, the interval holds 9 in 10."""
    rng = np.random.default_rng(11)
    found, raw = [], []
    for _ in range(200):
        likelihoods, is_faulty = fleet(rng)
        visited = np.argsort(-likelihoods)[:400]
        found.append(estimate(likelihoods[visited], is_faulty[visited]))
        raw.append(is_faulty[visited].mean())

    assert np.mean(raw) > 0.65
    assert np.mean([one.rate for one in found]) == pytest.approx(TRUE_RATE, abs=0.02)
    assert np.mean([one.low <= TRUE_RATE <= one.high for one in found]) >= 0.85
    assert np.mean([one.high - one.low for one in found]) < 0.1


def test_random_visits_count_fully() -> None:
    rng = np.random.default_rng(12)
    likelihoods, is_faulty = fleet(rng)
    by_chance = rng.permutation(HOMES)[:400]
    by_rank = np.argsort(-likelihoods)[:400]

    chance, rank = (estimate(likelihoods[at], is_faulty[at]) for at in (by_chance, by_rank))

    assert chance.low < TRUE_RATE < chance.high
    assert chance.high - chance.low < rank.high - rank.low


def test_a_visit_without_evidence_is_worth_one_home_of_the_prior() -> None:
    """Homes at the base rate: the posterior is the beta's, (20 * 0.05 + 30) / (20 + 100)."""
    is_faulty = np.arange(100) < 30
    found = estimate(np.full(100, SHIPPED), is_faulty)

    assert found.rate == pytest.approx(31 / 120, abs=0.01)
    assert (found.visits, found.found) == (100, 30)


def test_few_visits_leave_the_shipped_rate() -> None:
    none = estimate(np.array([]), np.array([], dtype=bool))
    sure = estimate(np.full(3, 0.99), np.array([True, True, True]))

    assert none.rate == pytest.approx(SHIPPED, abs=0.001)
    assert sure.rate == pytest.approx(none.rate, abs=0.02)
    assert none.low < SHIPPED < none.high


def test_suspects_found_sound_lower_the_rate() -> None:
    doubted = np.full(60, 0.6)

    assert estimate(doubted, np.zeros(60, dtype=bool)).high < SHIPPED
    assert estimate(doubted, np.ones(60, dtype=bool)).low > SHIPPED


def test_the_mix_is_that_of_the_fleet_although_one_fault_is_seen_better() -> None:
    """Fault 0 is seen plainly, so it is visited five times as often; homes found tell nothing of that."""
    rng = np.random.default_rng(13)
    true_mix = np.array([0.2, 0.5, 0.3])
    fault = rng.choice(3, 4000, p=true_mix)
    told = rng.normal(0.0, 1.0, (4000, 3))
    told[np.arange(4000), fault] += np.where(fault == 0, 3.0, 1.0)
    evidence = np.stack([3.0 * told[:, 0] - 4.5, told[:, 1] - 0.5, told[:, 2] - 0.5], axis=1)
    visited = np.argsort(-evidence.max(axis=1))[:1200]
    shares = np.exp(evidence[visited])

    mix = fault_mix(shares, fault[visited], prior_faults=3.0)

    assert (fault[visited] == 0).mean() > 0.4
    assert mix == pytest.approx(true_mix, abs=0.05)


def test_the_mix_stays_even_without_visits() -> None:
    assert fault_mix(np.empty((0, 4)), np.array([], dtype=np.int64), 24.0) == pytest.approx([0.25] * 4)

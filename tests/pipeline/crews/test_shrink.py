"""Empirical Bayes against published examples."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from pipeline.crews.shrink import Crews, Shrunk, best_spread, shrink

GRID = np.arange(-9.0, 9.0001, 0.04)

# Tarone, Biometrics 38:215, 1982, as in Gelman et al., Bayesian Data Analysis, ch. 5: rats with a tumour, of
# rats, in 70 historical groups and the current one (data from memory; the printed results reproduce)
TUMOURS = np.array(
    [0] * 14 + [1] * 8 + [2] * 9 + [1, 5, 2, 5, 3, 2, 7, 7, 3, 3, 2, 9, 10]
    + [4] * 7 + [10, 4, 4, 4, 5, 11, 12, 5, 5, 6, 5, 6, 6, 6, 6, 16, 15, 15, 9, 4],
    dtype=np.float64,
)  # fmt: skip
RATS = np.array(
    [20] * 7 + [19] * 4 + [18, 18, 17, 20, 20, 20, 20, 19, 19, 18, 18, 25, 24, 23] + [20] * 6
    + [10, 49, 19, 46, 27, 17, 49, 47, 20, 20, 13, 48, 50] + [20] * 7
    + [48, 19, 19, 19, 22, 46, 49, 20, 20, 23, 19, 22, 20, 20, 20, 52, 46, 47, 24, 14],
    dtype=np.float64,
)  # fmt: skip
# Efron and Morris, Scientific American 236(5):119, 1977: 18 batters' first 45 at bats and the rest of the season
# (data from memory; the printed results reproduce)
HITS = np.array([18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7], dtype=np.float64)
SEASON = np.array(
    [0.346, 0.298, 0.276, 0.222, 0.273, 0.270, 0.263, 0.210, 0.269, 0.230, 0.264, 0.256, 0.303, 0.264, 0.226,
     0.285, 0.316, 0.200]
)  # fmt: skip


def counted(faults: np.ndarray, homes: np.ndarray) -> np.ndarray:
    """The binomial log likelihood of each crew over the grid."""
    told = faults[:, None] * GRID - homes[:, None] * np.logaddexp(0, GRID)
    return told - told.max(axis=1, keepdims=True)


def shrunk(faults: np.ndarray, homes: np.ndarray) -> Shrunk:
    return shrink(counted(faults, homes), GRID, float(faults.sum() / homes.sum()), has_homes=homes > 0)


def test_rat_tumours_by_maximum_likelihood() -> None:
    # all 71 groups: beta(2.34161, 14.11480) (check value computed independently)
    crews = Crews.on(counted(TUMOURS, RATS), GRID)

    assert best_spread(crews, 0.15) == pytest.approx((2.34161, 14.11480), rel=1e-3)


def test_the_evidence_of_a_spread_is_the_beta_binomials() -> None:
    crews = Crews.on(counted(TUMOURS, RATS), GRID)

    def exact(alpha: float, beta: float) -> float:
        return float(
            np.sum(special.betaln(alpha + TUMOURS, beta + RATS - TUMOURS) - special.betaln(alpha, beta))
        )

    ours = [crews.evidence(special.logit(a / (a + b)), a + b) for a, b in ((2.0, 14.0), (5.0, 20.0))]
    assert ours[1] - ours[0] == pytest.approx(exact(5.0, 20.0) - exact(2.0, 14.0), abs=1e-3)


def test_batting_averages_are_better_foretold_shrunk() -> None:
    # Efron and Morris: factor 0.2124, .400 -> .2940, total squared error 3.5 times smaller. Theirs is normal, ours
    # beta-binomial and keeps the doubt about the spread, so it agrees, but not to the digit.
    first = np.round(HITS / 45, 3)
    factor = 1 - 15 * first.mean() * (1 - first.mean()) / 45 / np.sum((first - first.mean()) ** 2)
    james_stein = first.mean() + factor * (first - first.mean())
    raw = np.sum((first - SEASON) ** 2)
    assert (factor, james_stein[0]) == pytest.approx((0.2124, 0.2940), abs=5e-4)
    assert raw / np.sum((james_stein - SEASON) ** 2) == pytest.approx(3.5, abs=0.05)

    ours = shrunk(HITS, np.full(18, 45.0))

    assert ours.mean[0] == pytest.approx(0.294, abs=0.02)
    assert raw / np.sum((ours.mean - SEASON) ** 2) > 3


def test_crews_that_differ_by_luck_alone_get_nearly_the_fleets_rate() -> None:
    ours = shrunk(np.array([2.0, 3.0] * 20), np.full(40, 25.0))  # less spread than luck alone would give

    assert np.ptp(ours.mean) < 0.01
    assert ours.mean.mean() == pytest.approx(0.1, abs=0.01)
    assert np.all((ours.low < 0.1) & (ours.high > 0.1))


def test_shrunk_rates_are_nearly_as_good_as_if_the_spread_of_crews_were_known_and_their_intervals_hold() -> (
    None
):
    rng = np.random.default_rng(8)
    raw, known, ours, held = 0.0, 0.0, 0.0, []
    for _ in range(20):
        true = rng.beta(2, 20, 40)
        homes = rng.integers(5, 80, 40).astype(float)
        faults = rng.binomial(homes.astype(int), true).astype(float)
        found = shrunk(faults, homes)
        raw += np.sum((faults / homes - true) ** 2)
        known += np.sum(((2 + faults) / (22 + homes) - true) ** 2)
        ours += np.sum((found.mean - true) ** 2)
        held.append(np.mean((found.low <= true) & (true <= found.high)))

    assert ours < 1.1 * known
    assert ours < raw
    assert np.mean(held) == pytest.approx(0.95, abs=0.025)


def test_without_homes_a_crew_gets_what_the_fleet_says_and_without_crews_anything_goes() -> None:
    ours = shrunk(np.r_[np.tile([5.0, 9.0, 6.0], 5), 0.0], np.r_[np.tile([50.0, 60.0, 55.0], 5), 0.0])
    assert ours.mean[-1] == pytest.approx(ours.mean[:-1].mean(), abs=0.03)
    assert ours.high[-1] - ours.low[-1] > max(ours.high[:-1] - ours.low[:-1])

    nobody = shrink(np.zeros((1, GRID.size)), GRID, 0.5, has_homes=np.array([False]))
    assert (nobody.alpha, nobody.beta) == (1, 1)


def test_the_best_spread_does_not_hang_on_last_digits() -> None:
    rng = np.random.default_rng(1)
    homes = rng.integers(20, 200, 20)
    faults = rng.binomial(homes, rng.beta(53, 530, 20))  # crews nearly alike: the evidence is nearly flat
    log_odds = np.arange(-7, 1, 0.04)
    told = -faults[:, None] * np.logaddexp(0, -log_odds) - (homes - faults)[:, None] * np.logaddexp(
        0, log_odds
    )

    plain, moved = (Crews.on(told * scale, log_odds) for scale in (1, 1 + 1e-14))

    assert best_spread(moved, 0.08) == pytest.approx(best_spread(plain, 0.08), rel=1e-6)
    value, slopes = plain.evidence_and_slopes(-2.2, 40.0)
    assert value == plain.evidence(-2.2, 40.0)
    by_mean = (plain.evidence(-2.2 + 1e-5, 40.0) - plain.evidence(-2.2 - 1e-5, 40.0)) / 2e-5
    by_worth = (plain.evidence(-2.2, 40 * np.exp(1e-5)) - plain.evidence(-2.2, 40 * np.exp(-1e-5))) / 2e-5
    assert slopes == pytest.approx([by_mean, by_worth], rel=1e-6)

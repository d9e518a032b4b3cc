"""The quick sums over crews' homes are the plain ones."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import special

from pipeline.crews.crew_sums import LEAST_SHARE, CrewSums
from pipeline.crews.fleet import Installs

CREWS = 4  # the third has no homes


def invented(homes: int = 300, seed: int = 4) -> tuple[Installs, np.ndarray, np.ndarray, np.ndarray]:
    """Installs with their base and evidence [log odds] and the columns of their adjustment."""
    rng = np.random.default_rng(seed)
    crew = rng.choice([-1, 0, 1, 3], homes)
    is_known = rng.random(homes) < 0.3
    found = np.where(is_known, rng.random(homes) < 0.2, 0.0)
    base, evidence = rng.normal(-2, 1, homes), rng.normal(-1, 3, homes)
    columns = np.column_stack([np.ones(homes), evidence])
    installs = Installs(
        crew, CREWS, special.expit(evidence - 2), is_known, found, np.ones((homes, 1)), np.zeros(homes), 0.1
    )
    return installs, base, evidence, columns


def test_score_information_and_faults_are_those_of_each_home_added_up() -> None:
    installs, base, evidence, columns = invented()
    sums = CrewSums.of(installs, base, evidence, tilt=columns)
    u = np.array([0.4, -1.5, 2.0, 0.0])

    told = sums.at(u)

    for crew in range(CREWS):
        mine = installs.crew == crew
        rate, guess = special.expit(base + u[crew])[mine], special.expit(base + evidence + u[crew])[mine]
        seen = installs.is_known[mine]
        missing = np.where(seen, 0, guess * (1 - guess))
        whole = np.sum(rate * (1 - rate))
        known = max(whole - missing.sum(), LEAST_SHARE * whole)
        assert told.score[crew] == pytest.approx(np.sum(np.where(seen, installs.found[mine], guess) - rate))
        assert told.known[crew] == pytest.approx(known)
        assert told.expected[crew] == pytest.approx(rate.sum())
        assert told.tilt[crew] == pytest.approx(missing @ columns[mine])
    assert sums.score(u) == pytest.approx(told.score)


@pytest.mark.parametrize("kinds", [3, 300])
def test_the_likelihood_is_that_of_each_home_added_up(kinds: int) -> None:
    installs, base, evidence, columns = invented()
    base = base[np.arange(base.size) % kinds]  # few kinds of installs, or each its own
    grid = np.linspace(-7, 7, 41)

    told = CrewSums.of(installs, base, evidence, tilt=columns).log_likelihood(grid)

    for crew in range(CREWS):
        mine = installs.crew == crew
        prior = base[mine][:, None] + grid
        found = installs.found[mine][:, None] * prior
        data = np.logaddexp(0, prior + evidence[mine][:, None])
        each = np.where(installs.is_known[mine][:, None], found, data) - np.logaddexp(0, prior)
        wanted = each.sum(axis=0)
        assert told[crew] - told[crew][0] == pytest.approx(wanted - wanted[0], abs=1e-9)


def test_odds_without_end_are_still_numbers() -> None:
    installs, base, evidence, columns = invented()
    sums = CrewSums.of(replace(installs), base + 20, evidence * 30, tilt=columns)

    never, always = (sums.at(np.full(CREWS, end)) for end in (-np.inf, np.inf))

    size = np.bincount(installs.crew[installs.crew >= 0], minlength=CREWS)
    assert never.expected.tolist() == [0, 0, 0, 0]
    assert always.expected == pytest.approx(size)
    assert np.isfinite(sums.log_likelihood(np.linspace(-7, 7, 5))).all()

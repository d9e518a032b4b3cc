"""The regression against statsmodels, and what keeps it upright where statsmodels falls."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import optimize

from pipeline.crews.logistic import fit_logistic


@pytest.fixture(scope="module")
def homes() -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Columns, outcomes from 0 to 1, known log odds and weights of 400 homes."""
    rng = np.random.default_rng(5)
    columns = np.column_stack([np.ones(400), rng.random(400) < 0.3, rng.normal(size=400)])
    offset, weight = rng.normal(0, 0.5, 400), rng.uniform(0.5, 2, 400)
    chance = 1 / (1 + np.exp(-(columns @ [-1.5, 0.8, 0.4] + offset)))
    outcome = np.where(rng.random(400) < 0.5, rng.random(400) < chance, chance)
    return columns, outcome.astype(float), offset, weight


def test_without_a_price_it_is_the_maximum_likelihood_of_statsmodels(homes: tuple) -> None:
    columns, outcome, offset, weight = homes

    ours = fit_logistic(columns, outcome, np.zeros(3), offset=offset, weight=weight)

    model = sm.GLM(outcome, columns, family=sm.families.Binomial(), offset=offset, var_weights=weight)
    theirs = model.fit(tol=1e-12)
    assert ours.beta == pytest.approx(theirs.params, abs=1e-8)
    assert np.sqrt(np.diag(ours.covariance)) == pytest.approx(theirs.bse, rel=1e-6)
    assert ours.rate(columns, offset) == pytest.approx(theirs.fittedvalues, abs=1e-8)


def test_plain_zeros_and_ones_are_the_logit_of_statsmodels(homes: tuple) -> None:
    columns, outcome, *_ = homes
    found = (outcome > 0.4).astype(float)

    assert fit_logistic(columns, found, np.zeros(3)).beta == pytest.approx(
        sm.Logit(found, columns).fit(disp=False, tol=1e-12).params, abs=1e-7
    )


def test_the_price_is_a_normal_prior(homes: tuple) -> None:
    columns, outcome, *_ = homes
    price = np.array([0.0, 4.0, 25.0])

    def loss(beta: np.ndarray) -> float:
        score = columns @ beta
        return float(np.sum(np.logaddexp(0, score) - outcome * score) + np.sum(price * beta**2) / 2)

    wanted = optimize.minimize(loss, np.zeros(3), tol=1e-12).x
    assert fit_logistic(columns, outcome, price).beta == pytest.approx(wanted, abs=1e-4)


def test_a_kind_of_install_without_a_fault_does_not_blow_it_up() -> None:
    columns = np.column_stack([np.ones(30), np.r_[np.ones(3), np.zeros(27)]])
    found = np.r_[np.zeros(3), np.ones(5), np.zeros(22)]

    beta = fit_logistic(columns, found, np.array([1e-3, 1.0])).beta

    assert -1.5 < beta[1] < 0

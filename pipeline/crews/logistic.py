"""Logistic regression with an L2 penalty and outcomes from 0 to 1, by Newton's method."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from pipeline.core.errors import NightFailed

Float = NDArray[np.float64]
_ENOUGH = 1e-9
_MOST_STEPS = 100


@dataclass(frozen=True)
class Logistic:
    """Coefficients [log odds], their covariance, and the information of the data without the penalty."""

    beta: Float
    covariance: Float
    information: Float

    def rate(self, columns: Float, offset: Float | float = 0.0) -> Float:
        """Return the chance of each row of `columns` (homes x coefficients)."""
        chance: Float = special.expit(columns @ self.beta + offset)
        return chance


def fit_logistic(
    columns: Float,
    outcome: Float,
    penalty: Float,
    *,
    offset: Float | float = 0.0,
    weight: Float | float = 1.0,
    start: Float | None = None,
    most_steps: int | None = None,
) -> Logistic:
    """Return the maximum of sum weight (y log p + (1 - y) log(1 - p)) - sum penalty beta^2 / 2.

    Parameters
    ----------
    columns
        (n, k), the intercept among them.
    outcome
        (n,) from 0 to 1: what was found, or how likely it is.
    penalty
        L2 (k,): 1 / variance of a normal prior around 0; 0 for none.
    offset, weight
        Known log odds and weights of the homes (n,), or one number.
    start, most_steps
        Where to begin, and after how many steps to stop: for fits inside another loop.

    Raises
    ------
    NightFailed
        The fit does not settle; with a penalty on every coefficient but the intercept it always does.
    """
    beta = np.zeros(columns.shape[1]) if start is None else start.copy()
    weight = np.broadcast_to(np.asarray(weight, dtype=np.float64), outcome.shape)

    def objective(beta: Float) -> float:
        score = columns @ beta + offset
        return float(
            np.sum(weight * (outcome * score - np.logaddexp(0, score))) - np.sum(penalty * beta**2) / 2
        )

    best = objective(beta)
    for _ in range(_MOST_STEPS if most_steps is None else most_steps):
        chance = special.expit(columns @ beta + offset)
        information = (columns * (weight * chance * (1 - chance))[:, None]).T @ columns
        gradient = columns.T @ (weight * (outcome - chance)) - penalty * beta
        step = np.linalg.solve(information + np.diag(penalty) + 1e-12 * np.eye(beta.size), gradient)
        size = 1.0
        while (now := objective(beta + size * step)) < best - 1e-12 * abs(best) and size > 1e-4:
            size /= 2
        beta, best = beta + size * step, now
        if np.max(np.abs(step)) * size < _ENOUGH:
            break
    else:
        if most_steps is None:
            raise NightFailed(
                "crews: the regression on the installs does not settle; please report this with the lake"
            )
    return Logistic(beta, np.linalg.pinv(information + np.diag(penalty)), information)

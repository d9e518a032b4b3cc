"""The probability of a visit, and inverse probability weights of the visited homes.

Visits go where the list sends them. A home that was unlikely to be visited stands for the many like it that weren't: it
counts 1 / probability. Weights are truncated, which trades some bias for much less variance, and their mean is 1, so
that visits count for no more than they are (Robins, Rotnitzky and Zhao, JASA 89:846, 1994; Cole and Hernan, Am. J.
Epidemiol. 168:656, 2008).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

from pipeline.core.binomial_intervals import Z
from pipeline.crews.logistic import fit_logistic

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
_PENALTY = 0.5  # L2, of a coefficient: about two in log odds either way
_KNOTS = (-4.0, -2.0, 0.0)  # log odds of the likelihood
_EDGE = 1e-6
_FREE = 1e-3  # L2 penalty of the intercept, so that a fleet without visits has one
# a visited home stands for fifty at the most: one odd visit could make the fleet's rate anything
_LEAST_CHANCE = 0.02


def visit_columns(log_odds: Float, others: Float) -> Float:
    """Return the design of the visit model: a linear spline of the likelihood's log odds, and `others` (n, any)."""
    spline = [np.maximum(log_odds - knot, 0) for knot in _KNOTS]
    return np.column_stack([np.ones(log_odds.size), log_odds, *spline, others])


def visit_chance(columns: Float, is_visited: Bool) -> Float:
    """Return each home's probability of having been visited."""
    penalty = np.full(columns.shape[1], _PENALTY)
    penalty[0] = _FREE
    return fit_logistic(columns, is_visited.astype(np.float64), penalty).rate(columns)


def visit_weight(chance: Float, most: float) -> Float:
    """Return visited homes' weights, 1 / chance, none above `most` times the least, with mean 1."""
    if chance.size == 0:
        return chance
    weight = np.minimum(1 / chance, most * (1 / chance).min())
    return np.asarray(weight / weight.mean())


def doubly_robust(
    likelihood: Float, found: Float, is_visited: Bool, *, chance: Float
) -> tuple[float, float, float]:
    """Return the fleet's rate and the ends of its 95 % interval by augmented inverse probability weighting.

    Mean of m + V / pi (y - m): right if the likelihoods m are, or if the probabilities of a visit are. The error takes
    pi as known, which is conservative (Robins, Rotnitzky and Zhao, above). The interval is symmetric in log odds.

    Parameters
    ----------
    likelihood
        Of a fault before any visit (n,).
    found
        1 a fault, 0 sound (n,); of homes not visited anything.
    is_visited, chance
        Whether the home was visited, and its probability (n,).
    """
    residual = np.where(is_visited, found - likelihood, 0.0)
    term = likelihood + residual / np.maximum(chance, _LEAST_CHANCE)
    rate, error = float(term.mean()), float(term.std() / np.sqrt(term.size))
    inside = float(np.clip(rate, _EDGE, 1 - _EDGE))
    half = Z * error / (inside * (1 - inside))
    low, high = special.expit(special.logit(inside) + half * np.array([-1, 1]))
    return float(np.clip(rate, 0, 1)), float(low), float(high)

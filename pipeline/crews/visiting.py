"""How likely a home was to be visited, and so how many homes like it a visited one speaks for.

Visits go where the list sends them. A home that was unlikely to be visited and was visited all the same stands for
the many like it that weren't: it counts 1 / probability. Weights are cut at a most, which trades a little of that for
much less scatter, and their mean is 1, so that visits count for no more than they are (Robins, Rotnitzky and Zhao,
JASA 89:846, 1994; Cole and Hernan, Am. J. Epidemiol. 168:656, 2008).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special

from pipeline.core.binomial_intervals import Z
from pipeline.crews.logistic import fit_logistic

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
_PRICE = 0.5  # on a coefficient: about two in log odds either way
_BENDS = (-4.0, -2.0, 0.0)  # log odds of the likelihood where the curve of visits may bend
_EDGE = 1e-6
_FREE = 1e-3  # price of the intercept, so that a fleet without visits has one
# a visited home stands for fifty at the most: one odd visit could make the fleet's rate anything
_LEAST_CHANCE = 0.02


def visit_columns(log_odds: Float, others: Float) -> Float:
    """Return the columns of the visit model: the likelihood's log odds, free to bend, and `others` (homes x any)."""
    bends = [np.maximum(log_odds - bend, 0) for bend in _BENDS]
    return np.column_stack([np.ones(log_odds.size), log_odds, *bends, others])


def visit_chance(columns: Float, is_visited: Bool) -> Float:
    """Return each home's probability of having been visited."""
    price = np.full(columns.shape[1], _PRICE)
    price[0] = _FREE
    return fit_logistic(columns, is_visited.astype(np.float64), price).rate(columns)


def visit_weight(chance: Float, most: float) -> Float:
    """Return visited homes' weights, 1 / chance, none above `most` times the least, with mean 1."""
    if chance.size == 0:
        return chance
    raw = 1 / chance
    cut = np.minimum(raw, most * raw.min())
    weight: Float = cut / cut.mean()
    return weight


def doubly_robust(
    likelihood: Float, found: Float, is_visited: Bool, chance: Float
) -> tuple[float, float, float]:
    """Return the fleet's rate and the ends of its 95 % interval by augmented inverse probability weighting.

    Mean of m + V / pi (y - m): right if the likelihoods `likelihood` are, or if the probabilities of a visit are. The
    error takes pi as known, which is on the safe side: that it was estimated makes the rate more certain, not less
    (Robins, Rotnitzky and Zhao, above). The interval is even in log odds, as few faults are not in the rate.

    Parameters
    ----------
    found
        1 a fault, 0 sound; of homes not visited anything.
    chance
        Of a visit, a home.
    """
    rest = np.where(is_visited, found - likelihood, 0.0)
    term = likelihood + rest / np.maximum(chance, _LEAST_CHANCE)
    rate, error = float(term.mean()), float(term.std() / np.sqrt(term.size))
    inside = float(np.clip(rate, _EDGE, 1 - _EDGE))
    half = Z * error / (inside * (1 - inside))
    low, high = special.expit(special.logit(inside) + half * np.array([-1, 1]))
    return float(np.clip(rate, 0, 1)), float(low), float(high)

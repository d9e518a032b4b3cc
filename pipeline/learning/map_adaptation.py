"""Adapts a fitted model to a user's own homes as far as they ask for it, and no further.

Starting afresh from a few hundred homes would forget what rare faults and hard negatives look like that this fleet
doesn't have. Here the shipped trees stay; each probe's terms get a factor of their own, and all homes one shift. The
penalty on every move from the shipped model makes it a maximum a posteriori with normal priors around 1 and 0:

    sum over homes of weight x -log p(truth)  +  l2_penalty / 2 x (sum of (factor - 1)^2 + shift^2)

A probe that tells nothing apart in this fleet keeps its shipped slope, since nothing asks to move it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from pipeline.scoring.model import Model

Float = NDArray[np.float64]
FACTOR = (0.0, 3.0)
SHIFT = (-3.0, 3.0)


def adapt(
    model: Model, terms: Float, is_faulty: NDArray[np.bool_], *, weights: Float, l2_penalty: float
) -> Model:
    """Return the model with its probe slopes and intercept moved to fit these homes.

    Parameters
    ----------
    model, terms
        The shipped model, and what by it each probe adds to each home's log odds, (n, probes).
    is_faulty, weights
        The homes' truth, and weights as `training.home_weights`, (n,).
    l2_penalty
        Price of a move [homes a squared factor]; the larger, the nearer to the given model.
    """
    sign = np.where(is_faulty, -1.0, 1.0)

    def loss(point: Float) -> tuple[float, Float]:
        factor, shift = point[:-1], point[-1]
        margin = sign * (terms @ factor + model.base_log_odds + shift)
        residual = weights * sign / (1 + np.exp(-np.clip(margin, -500, 500)))
        move = np.append(factor - 1, shift)
        gradient = np.append(terms.T @ residual, residual.sum()) + l2_penalty * move
        return float(weights @ np.logaddexp(0.0, margin) + l2_penalty / 2 * (move**2).sum()), gradient

    start = np.append(np.ones(terms.shape[1]), 0.0)
    bounds = [FACTOR] * terms.shape[1] + [SHIFT]
    best = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": 500})
    factors = zip(model.names, best.x[:-1].tolist(), strict=True)
    slopes = {name: round(model.probe_slope.get(name, 1.0) * factor, 4) for name, factor in factors}
    return replace(model, probe_slope=slopes, intercept=round(model.intercept + float(best.x[-1]), 4))

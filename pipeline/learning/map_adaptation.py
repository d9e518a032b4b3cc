"""Moves a fitted model as far as a user's own homes ask for it, and no further.

Starting afresh from a few hundred homes would forget what rare faults and hard negatives look like that this fleet
doesn't have. Here the shipped trees stay, and what each probe says is stretched by a factor of its own, with one offset
for all; every move away from the shipped ones is paid for (maximum a posteriori, normal priors around 1 and 0):

    sum over homes of weight x -log p(truth)  +  hold / 2 x (sum of (factor - 1)^2 + offset^2)

A probe that tells nothing apart in this fleet keeps its shipped factor, since nothing asks to move it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit

from pipeline.probes import NAMES
from pipeline.scoring.model import Model

Float = NDArray[np.float64]
FACTOR = (0.0, 3.0)
OFFSET = (-3.0, 3.0)


def adapt(model: Model, terms: Float, is_faulty: NDArray[np.bool_], weights: Float, hold: float) -> Model:
    """Return the model with its probes stretched to fit these homes.

    Parameters
    ----------
    model
        The shipped model.
    terms
        What each probe adds to each home's log odds by it, (n, probes), as `Model.probe_terms`.
    is_faulty
        The homes' truth, (n,).
    weights
        Of the homes, (n,): half sound, half faults, as `training.home_weights`.
    hold
        Price of a move [homes a squared factor]; the larger, the nearer to the given model.
    """
    sign = np.where(is_faulty, -1.0, 1.0)

    def loss(point: Float) -> tuple[float, Float]:
        factor, offset = point[:-1], point[-1]
        margin = sign * (terms @ factor + model.offset + offset)
        pull = weights * sign * expit(margin)
        move = np.append(factor - 1, offset)
        slope = np.append(terms.T @ pull, pull.sum()) + hold * move
        return float(weights @ np.logaddexp(0.0, margin) + hold / 2 * (move**2).sum()), slope

    start = np.append(np.ones(terms.shape[1]), 0.0)
    bounds = [FACTOR] * terms.shape[1] + [OFFSET]
    best = minimize(loss, start, jac=True, method="L-BFGS-B", bounds=bounds, options={"maxiter": 500})
    before = {name: model.probe_slope.get(name, 1.0) for name in NAMES}
    moved = {name: round(before[name] * float(x), 4) for name, x in zip(NAMES, best.x[:-1], strict=True)}
    return replace(model, probe_slope=moved, intercept=round(model.intercept + float(best.x[-1]), 4))

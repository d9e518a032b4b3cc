"""Moves a fitted model as far as a user's own homes ask for it, and no further.

Starting afresh from a few hundred homes would forget what rare faults and hard negatives look like that this fleet
doesn't have. Here the shipped weights are the starting point and every move away from them is paid for:

    sum over homes of weight x -log p(truth)  +  hold / 2 x sum of squared moves [log odds]

A piece that never fires in this fleet keeps its shipped weight, since nothing asks to move it (a normal prior around
the shipped weights; maximum a posteriori).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import logsumexp

from pipeline.classifier import Model, fault_of

Float = NDArray[np.float64]
EVEN = 0.5  # the base rate of lessons: sound homes weigh as much as all faults together


def adapt(model: Model, values: Float, labels: NDArray[np.str_], weights: Float, hold: float) -> Model:
    """Return the model with its weights moved to fit these homes; its calibration is taken into the weights.

    Parameters
    ----------
    values
        Evidence (n, pieces), NaN for *cannot tell*.
    labels
        Kinds or plain names (n,); a kind that the model doesn't know counts as any kind of its fault.
    weights
        Of the homes (n,): half sound, half faults, as `training.home_weights`.
    hold
        Price of a move [homes a squared log odds]; the larger, the nearer to the given model.
    """
    spread = model.encoded(values)
    speaks = np.flatnonzero(spread.any(axis=0))
    spread = spread[:, speaks]
    plain = model.scores(values, EVEN)
    may_be = allowed(labels, model.kinds)
    kinds, columns = len(model.kinds), speaks.size

    def loss(point: Float) -> tuple[float, Float]:
        move = point.reshape(kinds, columns + 1)
        score = plain + spread @ move[:, :-1].T + move[:, -1]
        total = logsumexp(score, axis=1, keepdims=True)
        of_truth = np.where(may_be, score, -np.inf)
        right = logsumexp(of_truth, axis=1, keepdims=True)
        excess = weights[:, None] * (np.exp(score - total) - np.exp(of_truth - right))
        slope = np.concatenate([excess.T @ spread, excess.sum(axis=0)[:, None]], axis=1) + hold * move
        fit = weights @ (total - right)[:, 0]
        return float(fit + hold / 2 * (move**2).sum()), slope.ravel()

    start = np.zeros(kinds * (columns + 1))
    best = minimize(loss, start, jac=True, method="L-BFGS-B", options={"maxiter": 500})
    move = best.x.reshape(kinds, columns + 1)
    coef = model.weights.copy()
    coef[:, speaks] += move[:, :-1]
    return _with_weights(model, coef, move[:, -1])


def allowed(labels: NDArray[np.str_], kinds: tuple[str, ...]) -> NDArray[np.bool_]:
    """Return which kinds (n, kinds) each label may mean: itself, or every kind of its fault.

    Raises
    ------
    ValueError
        The model knows no kind of a label's fault.
    """
    fault = np.array([fault_of(kind) for kind in kinds])
    exact = labels[:, None] == np.array(kinds)[None, :]
    alike = np.array([fault_of(label) for label in labels])[:, None] == fault[None, :]
    may_be: NDArray[np.bool_] = np.where(exact.any(axis=1, keepdims=True), exact, alike)
    if not may_be.any(axis=1).all():
        raise ValueError(f"the model knows nothing of {labels[~may_be.any(axis=1)][0]}")
    return may_be


def _with_weights(model: Model, coef: Float, moved: Float) -> Model:
    """Return a model of these calibrated weights whose prior is the given one's plus `moved` (kinds,)."""
    linear = replace(model.linear, coefficients=coef, intercepts=np.zeros(len(model.kinds)))
    # Without stretch and offset the prior is the intercept plus what depends on the base rate alone.
    bare = replace(model, linear=linear, stretch={}, offset={}, base_rate=None, fault_mix={})
    intercepts = model.prior(EVEN) - bare.prior(EVEN) + moved
    return replace(bare, linear=replace(linear, intercepts=intercepts))

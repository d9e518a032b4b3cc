"""Calibrates a fitted model on homes that it wasn't fitted to: a stretch and an offset a fault."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from pipeline.classifier import Model, fault_of
from pipeline.contract import SOUND

Float = NDArray[np.float64]
_STRETCH_BOUND = (-0.7, 0.9)  # of its logarithm
_OFFSET_BOUND = (-3.0, 3.0)


def temper(
    model: Model, values: Float, labels: NDArray[np.str_], weights: Float, base_rate: float, hold: float
) -> Model:
    """Return the model with the stretch and offset a fault of least log loss at the base rate.

    Homes of a fault that the model was not fitted to are left out.

    Parameters
    ----------
    values
        Evidence (n, pieces) of the held-out homes.
    labels
        Their kinds or plain names (n,).
    weights
        Those of `home_weights`: half sound, half faults.
    hold
        Penalty that keeps stretches near 1 and offsets near 0 where the held-out homes say little.
    """
    known = np.isin([fault_of(label) for label in labels], model.classes)
    values, labels, weights = values[known], labels[known], weights[known]
    truth = np.array([model.classes.index(fault_of(label)) for label in labels])
    is_sound = truth == model.classes.index(SOUND)
    weight = weights / weights.sum() * 2 * np.where(is_sound, 1 - base_rate, base_rate)
    faults = [name for name in model.classes if name != SOUND]

    def moved(point: Float) -> Model:
        log_stretch, offset = np.split(point, 2)
        return replace(
            model,
            stretch={name: round(float(np.exp(x)), 4) for name, x in zip(faults, log_stretch, strict=True)},
            offset={name: round(float(x), 4) for name, x in zip(faults, offset, strict=True)},
        )

    class_of = np.array([model.classes.index(fault_of(kind)) for kind in model.kinds])
    fault_at = np.array(
        [faults.index(fault_of(kind)) if fault_of(kind) != SOUND else -1 for kind in model.kinds]
    )
    plain = model.scores(values, base_rate)
    # What the stretch multiplies: evidence and own intercept, without the shift to the base rate.
    doubled = replace(model, stretch=dict.fromkeys(faults, 2.0)).scores(values, base_rate) - plain
    sum_of = np.array([[float(c == name) for name in range(len(model.classes))] for c in class_of])

    def loss(point: Float) -> float:
        log_stretch, offset = np.split(point, 2)
        grow = np.where(fault_at >= 0, np.exp(log_stretch)[fault_at] - 1, 0.0)
        score = plain + grow * doubled + np.where(fault_at >= 0, offset[fault_at], 0.0)
        power = np.exp(score - score.max(axis=1, keepdims=True))
        share = (power @ sum_of)[np.arange(len(truth)), truth] / power.sum(axis=1)
        fit: Float = -weight * np.log(np.maximum(share, 1e-12))
        return float(fit.sum() + hold * (log_stretch**2 + offset**2 / 4).sum())

    best = minimize(
        loss,
        np.zeros(2 * len(faults)),
        method="L-BFGS-B",
        bounds=[_STRETCH_BOUND] * len(faults) + [_OFFSET_BOUND] * len(faults),
    )
    return moved(best.x)

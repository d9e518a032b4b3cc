"""Calibration of the log odds of a fault: slope and intercept by homes of families that the trees never saw."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

Float = NDArray[np.float64]
Said = tuple[Float, NDArray[np.bool_], Float, NDArray[np.str_]]


def calibrate(said: Sequence[Said], rate: float) -> tuple[float, float, dict[str, Any]]:
    """Return slope and intercept [log odds] of least log loss at this share of faults, and each family's marks.

    Parameters
    ----------
    said
        Of each family left out: its homes' log odds at even odds, whether they are faulty, weights that count sound
        homes as much as faulty ones, and the family, (n,) each.
    rate
        Share of faulty homes that the likelihoods are for.

    Notes
    -----
    The slope lies in 0.3 to 1.5. Without any family left out nothing is known: 1 and 0.
    """
    if not said:
        return 1.0, 0.0, {}
    log_odds, is_faulty, weight, family = (np.concatenate(parts) for parts in zip(*said, strict=True))
    prior = np.log(rate / (1 - rate))
    weight = weight * np.where(is_faulty, rate, 1 - rate)
    for name in np.unique(family):  # families count alike
        weight[family == name] /= weight[family == name].sum()

    def loss(point: Float) -> float:
        moved = point[0] * log_odds + point[1] + prior
        return float(weight @ np.logaddexp(0.0, np.where(is_faulty, -moved, moved)))

    best = minimize(loss, np.array([1.0, 0.0]), method="L-BFGS-B", bounds=[(0.3, 1.5), (-2.0, 2.0)])
    slope, intercept = (round(float(value), 4) for value in best.x)
    marks = {}
    for name in np.unique(family).tolist():
        own = family == name
        marks[str(name)] = marks_of(
            slope * log_odds[own] + intercept + prior, is_faulty[own], weight[own] / weight[own].sum()
        )
    return slope, intercept, marks


def marks_of(log_odds: Float, is_faulty: NDArray[np.bool_], weight: Float) -> dict[str, float]:
    """Return average precision, log loss and false alarms (share of sound homes from even odds on) of weighed homes."""
    from sklearn.metrics import average_precision_score

    loss = float(weight @ np.logaddexp(0.0, np.where(is_faulty, -log_odds, log_odds)) / weight.sum())
    alarms = weight * (log_odds >= 0) * ~is_faulty
    return {
        "average_precision": round(
            float(average_precision_score(is_faulty, log_odds, sample_weight=weight)), 4
        ),
        "log_loss": round(loss, 5),
        "false_alarm_share": round(float(alarms.sum() / (weight * ~is_faulty).sum()), 5),
    }

"""Calibration of the log odds of a fault: slope and intercept by homes of fleets and families the trees never saw."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

Float = NDArray[np.float64]
Said = tuple[Float, NDArray[np.bool_], Float, str]
ONE_OF_EACH = "a fleet of each family"
SLOPES, OFFSETS = (0.3, 1.5), (-2.0, 2.0)


def calibrate(said: Sequence[Said], rate: float) -> tuple[float, float, dict[str, Any]]:
    """Return slope and intercept [log odds] of least log loss at this share of faults, and each part's marks.

    Parameters
    ----------
    said
        Of each part left out: its homes' log odds at even odds, whether they are faulty, weights that count sound homes
        as much as faulty ones, (n,) each, and its name.
    rate
        Share of faulty homes that the likelihoods are for.

    Notes
    -----
    Each part has a slope of its own, and with the middle slope an offset of its own; the middle ones are taken. One
    family unlike all others then doesn't make the likelihoods of every fleet timid, nor an easy one bold. It lies
    in 0.3 to 1.5. With nothing left out nothing is known: 1 and 0.
    """
    if not said:
        return 1.0, 0.0, {}
    prior = float(np.log(rate / (1 - rate)))
    parts = [
        (log_odds, is_bad, weight * np.where(is_bad, rate, 1 - rate), name)
        for log_odds, is_bad, weight, name in said
    ]
    own = [_fit(log_odds, is_bad, weight, prior, SLOPES) for log_odds, is_bad, weight, _ in parts]
    slope = round(float(np.median([slope for slope, _ in own])), 4)
    offsets = [
        _fit(log_odds, is_bad, weight, prior, (slope, slope))[1] for log_odds, is_bad, weight, _ in parts
    ]
    intercept = round(float(np.median(offsets)), 4)
    marks = {
        name: {
            **marks_of(slope * log_odds + intercept + prior, is_bad, weight),
            "own_slope": round(own_slope, 4),
            "own_intercept": round(own_intercept, 4),
        }
        for (log_odds, is_bad, weight, name), (own_slope, own_intercept) in zip(parts, own, strict=True)
    }
    return slope, intercept, marks


def _fit(
    log_odds: Float, is_faulty: NDArray[np.bool_], weight: Float, prior: float, slopes: tuple[float, float]
) -> tuple[float, float]:
    """Return slope and intercept of least log loss of one part."""
    share = weight / weight.sum()

    def loss(point: Float) -> float:
        moved = point[0] * log_odds + point[1] + prior
        return float(share @ np.logaddexp(0.0, np.where(is_faulty, -moved, moved)))

    start = np.array([min(max(1.0, slopes[0]), slopes[1]), 0.0])
    best = minimize(loss, start, method="L-BFGS-B", bounds=[slopes, OFFSETS])
    return float(best.x[0]), float(best.x[1])


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

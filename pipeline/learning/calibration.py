"""Calibration of the log odds of a fault: slope and intercept by homes of fleets and families the trees never saw."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

Float = NDArray[np.float64]
HeldOut = tuple[Float, NDArray[np.bool_], Float, str]
ONE_OF_EACH = "a fleet of each family"
SLOPES, INTERCEPTS = (0.3, 1.5), (-2.0, 2.0)


def calibrate(parts: Sequence[HeldOut], rate: float) -> tuple[float, float, dict[str, Any]]:
    """Return slope and intercept [log odds] of least log loss at this share of faults, and each part's scores.

    Parameters
    ----------
    parts
        Of each part left out: its homes' log odds at even odds, whether they are faulty, weights that count sound homes
        as much as faulty ones, (n,) each, and its name.
    rate
        Share of faulty homes that the likelihoods are for.

    Notes
    -----
    Each part has a slope of its own, and with the median slope an intercept of its own; the medians are taken. So one
    family unlike all others doesn't draw every fleet's likelihoods to the base rate, nor does an easy one make them
    extreme. The slope lies in 0.3 to 1.5. With nothing left out nothing is known: 1 and 0.
    """
    if not parts:
        return 1.0, 0.0, {}
    prior = float(np.log(rate / (1 - rate)))
    parts = [
        (log_odds, is_faulty, weight * np.where(is_faulty, rate, 1 - rate), name)
        for log_odds, is_faulty, weight, name in parts
    ]
    fits = [_fit(log_odds, is_faulty, weight, prior, SLOPES) for log_odds, is_faulty, weight, _ in parts]
    slope = round(float(np.median([part_slope for part_slope, _ in fits])), 4)
    intercepts = [_fit(odds, is_bad, weight, prior, (slope, slope))[1] for odds, is_bad, weight, _ in parts]
    intercept = round(float(np.median(intercepts)), 4)
    scores = {
        name: {
            **score_log_odds(slope * log_odds + intercept + prior, is_faulty, weight),
            "own_slope": round(part_slope, 4),
            "own_intercept": round(part_intercept, 4),
        }
        for (log_odds, is_faulty, weight, name), (part_slope, part_intercept) in zip(parts, fits, strict=True)
    }
    return slope, intercept, scores


def _fit(
    log_odds: Float, is_faulty: NDArray[np.bool_], weight: Float, prior: float, slopes: tuple[float, float]
) -> tuple[float, float]:
    """Return slope and intercept of least log loss of one part."""
    share = weight / weight.sum()

    def loss(point: Float) -> float:
        calibrated = point[0] * log_odds + point[1] + prior
        return float(share @ np.logaddexp(0.0, np.where(is_faulty, -calibrated, calibrated)))

    start = np.array([min(max(1.0, slopes[0]), slopes[1]), 0.0])
    best = minimize(loss, start, method="L-BFGS-B", bounds=[slopes, INTERCEPTS])
    return float(best.x[0]), float(best.x[1])


def score_log_odds(log_odds: Float, is_faulty: NDArray[np.bool_], weight: Float) -> dict[str, float]:
    """Return average precision, log loss and false alarms (share of sound homes from even odds on) of weighed homes."""
    from sklearn.metrics import average_precision_score

    precision = average_precision_score(is_faulty, log_odds, sample_weight=weight)
    loss = weight @ np.logaddexp(0.0, np.where(is_faulty, -log_odds, log_odds)) / weight.sum()
    alarms = weight * (log_odds >= 0) * ~is_faulty
    return {
        "average_precision": round(float(precision), 4),
        "log_loss": round(float(loss), 5),
        "false_alarm_share": round(float(alarms.sum() / (weight * ~is_faulty).sum()), 5),
    }

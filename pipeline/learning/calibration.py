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
    The families count alike, and together as much as ONE_OF_EACH. The slope lies in 0.3 to 1.5. With nothing left out
    nothing is known: 1 and 0.
    """
    if not said:
        return 1.0, 0.0, {}
    prior = np.log(rate / (1 - rate))
    families = sum(name != ONE_OF_EACH for *_, name in said)
    weighed = []
    for _, is_bad, weight, name in said:
        own = weight * np.where(is_bad, rate, 1 - rate)
        weighed.append(own / own.sum() * (families if name == ONE_OF_EACH else 1))
    log_odds = np.concatenate([odds for odds, *_ in said])
    is_faulty, weights = np.concatenate([bad for _, bad, *_ in said]), np.concatenate(weighed)

    def loss(point: Float) -> float:
        moved = point[0] * log_odds + point[1] + prior
        return float(weights @ np.logaddexp(0.0, np.where(is_faulty, -moved, moved)))

    best = minimize(loss, np.array([1.0, 0.0]), method="L-BFGS-B", bounds=[(0.3, 1.5), (-2.0, 2.0)])
    slope, intercept = (round(float(value), 4) for value in best.x)
    marks = {
        name: marks_of(slope * odds + intercept + prior, is_bad, own)
        for (odds, is_bad, _, name), own in zip(said, weighed, strict=True)
    }
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

"""Straight lines to hold the slopes of sql/ against: least squares, errors in both variables, weighted median.

Arrays are float, shape (n,), without nulls. `york` fits a line where both readings are noisy and
ordinary least squares flattens the slope; `weighted_median_slope` is the slope of a
leg's steps on the probe's, which appliance steps move by one rank whatever their size.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import stats

Float = NDArray[np.float64]

_FEWEST = 3
_CLOSE = 1e-12
_MOST_ROUNDS = 200


@dataclass(frozen=True)
class Line:
    """y = intercept + slope * x with the standard errors of both, in the units of the data."""

    slope: float
    intercept: float
    slope_se: float
    intercept_se: float


def ols(x: Float, y: Float) -> Line:
    """Return the ordinary least-squares line of y on x (x without error).

    Raises
    ------
    ValueError
        Fewer than three points, unequal lengths, or all x equal.
    """
    _check(x, y)
    fit = stats.linregress(x, y)
    return Line(float(fit.slope), float(fit.intercept), float(fit.stderr), float(fit.intercept_stderr))


def york(x: Float, y: Float, wx: Float, wy: Float) -> Line:
    """Return the maximum-likelihood line for known, independent errors in both variables.

    York, Evensen, Lopez Martinez & De Basabe Delgado, Am. J. Phys. 72:367 (2004), unified equations
    (13) with no correlation between the errors of a point. Equal weights give the orthogonal line.

    Parameters
    ----------
    wx, wy
        1 / variance of the error of each x and y, positive; the standard errors rest on their size.

    Raises
    ------
    ValueError
        As `ols`, a weight that is not positive, or no convergence (points without a direction).
    """
    _check(x, y)
    if not (np.all(wx > 0) and np.all(wy > 0)):
        raise ValueError("weights must be positive")
    slope = ols(x, y).slope
    for _ in range(_MOST_ROUNDS):
        weight = wx * wy / (wx + slope**2 * wy)
        x_mean, y_mean = np.average(x, weights=weight), np.average(y, weights=weight)
        u, v = x - x_mean, y - y_mean
        # how far each point's best x lies from the mean, from both its readings
        beta = weight * (u / wy + slope * v / wx)
        before, slope = slope, float(np.sum(weight * beta * v) / np.sum(weight * beta * u))
        if abs(slope - before) <= _CLOSE * max(1.0, abs(slope)):
            break
    else:
        raise ValueError("no line: the slope does not settle")
    centre = x_mean + np.average(beta, weights=weight)
    spread = x_mean + beta - centre
    slope_se = 1 / np.sqrt(np.sum(weight * spread**2))
    intercept_se = np.sqrt(1 / np.sum(weight) + (centre * slope_se) ** 2)
    return Line(slope, float(y_mean - slope * x_mean), float(slope_se), float(intercept_se))


def weighted_median_slope(x: Float, y: Float) -> tuple[float, float]:
    """Return the slope through the origin of least absolute deviations, and its standard error.

    sum |y - b x| = sum |x| |y/x - b| is least at the median of y/x weighted with |x|. The error is
    that of a sign test: half the distance between the weighted quantiles at 0.5 - h and 0.5 + h,
    h = sqrt(sum w^2) / (2 sum w). A quantile is the smallest ratio at which the cumulated weight
    reaches it; above the whole, the largest ratio.

    Raises
    ------
    ValueError
        Unequal lengths, no points, or an x of zero (it has no ratio).
    """
    if x.shape != y.shape or x.size == 0 or np.any(x == 0):
        raise ValueError("needs as many y as x, at least one, and no x of zero")
    order = np.argsort(y / x, kind="stable")
    ratio, weight = (y / x)[order], np.abs(x)[order]
    below = np.cumsum(weight)
    half = np.sqrt(np.sum(weight**2)) / 2
    middle = below[-1] / 2
    low, slope, high = (
        ratio[min(int(np.searchsorted(below, at)), ratio.size - 1)]
        for at in (middle - half, middle, middle + half)
    )
    return float(slope), float(high - low) / 2


def _check(x: Float, y: Float) -> None:
    if x.shape != y.shape or x.size < _FEWEST:
        raise ValueError(f"needs as many y as x, and at least {_FEWEST}")
    if np.ptp(x) == 0:
        raise ValueError("no slope: all x are equal")

"""Where several series, day by day and each with its own errors, step from one level to another: once, all together."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]
_ALIKE = 1e-6  # splits whose squares differ by less fit alike
_ROUNDING = 1e-12  # of all squares: more than running sums lose of them


def place_steps(values: Float, weights: Float) -> list[int | None]:
    """Return for each home the index of the first day after the step, None where fewer than two days are known.

    Two levels a series, least squares in units of the errors, over every split. Where several splits fit alike
    (nothing was known between) it is the last of them.

    Parameters
    ----------
    values, weights
        (series, homes, days); a day without a value has no weight.
    """
    cost = np.zeros(values.shape[1:])  # of the split before each day, from running sums
    squares = np.zeros(values.shape[1])
    for value, weight in zip(values, weights, strict=True):
        square = np.sum(weight * value**2, axis=1)
        squares += square
        before_w, before = np.cumsum(weight, axis=1), np.cumsum(weight * value, axis=1)
        after_w, after = before_w[:, -1:] - before_w, before[:, -1:] - before
        cost[:, 1:] += (
            square[:, None]
            - (before**2 / np.maximum(before_w, 1e-12) + after**2 / np.maximum(after_w, 1e-12))
        )[:, :-1]
    is_known = weights.sum(axis=0) > 0
    return [
        _place(cost[home], squares[home], np.flatnonzero(is_known[home]), values[:, home], weights[:, home])
        for home in range(values.shape[1])
    ]


def _place(cost: Float, squares: float, known: NDArray[np.int64], value: Float, weight: Float) -> int | None:
    """Settle one home: splits that running sums can't tell apart are weighed again, each about its own means."""
    if known.size < 2:
        return None
    near = cost[known[1:]]
    close = 1 + np.flatnonzero(near <= near.min() + _ALIKE + 2 * _ROUNDING * squares)
    if close.size == 1:
        return int(known[close[0]])
    days, share = value[:, known].T, weight[:, known].T
    exact = {int(at): _apart(days[:at], share[:at]) + _apart(days[at:], share[at:]) for at in close}
    least = min(exact.values())
    at = next(at for at, squares_left in exact.items() if squares_left == least)
    while exact.get(at + 1, np.inf) <= least + _ALIKE:
        at += 1
    return int(known[at])


def _apart(value: Float, weight: Float) -> float:
    """Return the weighted squares of a stretch (days, series) about each series' own mean."""
    mean = (weight * value).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-12)
    return float((weight * (value - mean) ** 2).sum())

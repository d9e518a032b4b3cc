"""Did a crew change? The order of its installs against random orders of the same installs.

What an install says is its chance of a fault less what the case mix, the period among it, leads to expect, so a change
of the whole fleet is none of a crew's. The most that sums of it wander between commissionings is compared with the
most in shuffled orders: exact whatever the chances look like. Crews are tested together by Holm's rule (Scand. J.
Statist. 6:65, 1979); each side of a change is searched once more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]
Int = NDArray[np.int64]


@dataclass(frozen=True)
class Change:
    """`at`: the number of installs before the change; `p_value` of so much wandering in a random order."""

    at: int
    p_value: float


def change_point(days: Int, surprise: Float, least: int, shuffles: int, seed: int) -> Change | None:
    """Return the likeliest change of the mean of `surprise`, None where there are too few installs to look for one.

    Parameters
    ----------
    days
        Of commissioning, rising; a change lies between two different days.
    least
        Installs that must lie on either side.
    """
    count = days.size
    splits = np.arange(1, count)
    splits = splits[(np.diff(days) > 0) & (splits >= least) & (splits <= count - least)]
    if splits.size == 0 or np.ptp(surprise) == 0:
        return None
    spread = surprise.std()
    scale = spread * np.sqrt(splits * (count - splits) / count)
    rest = surprise - surprise.mean()
    wander = np.abs(np.cumsum(rest)[splits - 1]) / scale
    rng = np.random.default_rng(seed)
    orders = rng.permuted(np.tile(rest, (shuffles, 1)), axis=1)
    most = (np.abs(np.cumsum(orders, axis=1)[:, splits - 1]) / scale).max(axis=1)
    reached = int(np.sum(most >= wander.max() - 1e-12))
    return Change(int(splits[np.argmax(wander)]), (1 + reached) / (1 + shuffles))


def changes(
    days: list[Int], surprises: list[Float], least: int, shuffles: int, alpha: float
) -> list[list[Change]]:
    """Return each crew's changes in order of time, empty where nothing can be said or nothing changed."""
    first = [
        change_point(d, s, least, shuffles, seed)
        for seed, (d, s) in enumerate(zip(days, surprises, strict=True))
    ]
    kept = _holm([change.p_value if change else 1.0 for change in first], alpha)
    told: list[list[Change]] = []
    for crew, (change, is_kept) in enumerate(zip(first, kept, strict=True)):
        if change is None or not is_kept:
            told.append([])
            continue
        found = [change]
        for begin, end in ((0, change.at), (change.at, days[crew].size)):
            part = slice(begin, end)
            more = change_point(days[crew][part], surprises[crew][part], least, shuffles, crew)
            if more is not None and more.p_value <= alpha / (2 * len(first)):
                found.append(Change(begin + more.at, more.p_value))
        told.append(sorted(found, key=lambda one: one.at))
    return told


def _holm(p_values: list[float], alpha: float) -> list[bool]:
    """Return which of the p-values are rejected so that a single false one has a chance of at most alpha."""
    order = np.argsort(p_values)
    is_kept = [False] * len(p_values)
    for place, at in enumerate(order):
        if p_values[at] > alpha / (len(p_values) - place):
            break
        is_kept[at] = True
    return is_kept

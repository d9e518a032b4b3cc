"""Change points of a crew's rate: a permutation test of the order of its installs.

The residual of an install is its chance of a fault less what the case mix, the period among it, leads to expect, so a
change of the whole fleet is none of a crew's. The largest cumulative sum of residuals is compared with that of shuffled
orders: exact whatever the chances look like. Crews are tested together by Holm's rule (Scand. J. Statist. 6:65, 1979);
each side of a change point is searched once more.

Only as many orders are drawn as needed. Once so many of them reach the observed sum that no further ones could bring
the p-value down to the level, drawing ends, and hits / draws is the p-value (Besag and Clifford, Biometrika 78:301,
1991): what is rejected is the same as with all the draws. Where a bound (Bernstein's, which holds for draws without
replacement: Hoeffding, JASA 58:13, 1963, theorem 4) says that random orders all but never reach it, none is drawn: the
p-value is the least that the draws could have given, and more than the true one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.core.multiple_tests import holm

Float = NDArray[np.float64]
Int = NDArray[np.int64]
_AT_ONCE = 30_000  # installs shuffled between two looks whether more are needed: they fit a core's cache
_NEVER = 1e-6  # chance of any hit among the draws that is as good as none


@dataclass(frozen=True)
class Change:
    """`installs_before` the change point; `p_value` of so large a sum in a random order."""

    installs_before: int
    p_value: float


def change_point(
    days: Int, surprise: Float, least: int, *, shuffles: int, seed: int, level: float = 1.0
) -> Change | None:
    """Return the likeliest change point of the mean of `surprise`, None where there are too few installs.

    Parameters
    ----------
    days
        Of commissioning (n,), rising; a change lies between two different days.
    surprise
        The residual of each install (n,).
    least
        Installs that must lie on either side.
    shuffles, seed
        Random orders that are drawn at the most, and their seed.
    level
        From 0 to 1: a p-value above it need not be known closer than that.
    """
    count = days.size
    splits = np.arange(1, count)
    splits = splits[(np.diff(days) > 0) & (splits >= least) & (splits <= count - least)]
    if splits.size == 0 or np.ptp(surprise) == 0:
        return None
    scale = surprise.std() * np.sqrt(splits * (count - splits) / count)
    centred = surprise - surprise.mean()
    sums = np.abs(np.cumsum(centred)[splits - 1]) / scale
    largest = float(sums.max())
    split = int(splits[np.argmax(sums)])
    if shuffles * _bound(centred, splits, largest * scale) < _NEVER:
        return Change(split, 1 / (1 + shuffles))
    most_hits = math.floor(level * shuffles) + 1  # so many of all the draws are a p-value above the level
    starts = np.r_[0, splits]
    rng = np.random.default_rng(seed)
    reached, drawn = 0, 0
    while drawn < shuffles:
        orders = np.tile(centred, (min(max(1, _AT_ONCE // count), shuffles - drawn), 1))
        rng.permuted(orders, axis=1, out=orders)
        sums = np.add.reduceat(orders, starts, axis=1)[:, :-1]
        hits = (np.abs(np.cumsum(sums, axis=1)) / scale).max(axis=1) >= largest - 1e-12
        enough = np.flatnonzero(np.cumsum(hits) + reached >= most_hits)
        if enough.size:
            return Change(split, most_hits / (drawn + int(enough[0]) + 1))
        reached, drawn = reached + int(hits.sum()), drawn + hits.size
    return Change(split, (1 + reached) / (1 + shuffles))


def _bound(centred: Float, splits: Int, sums: Float) -> float:
    """Return a bound of the chance that the first `splits` of `centred` in a random order reach `sums` anywhere.

    It is never less than the true one: two sides and all splits of 2 exp(-sum^2 / 2 / (n variance + most sum / 3)).
    """
    fewer = np.minimum(splits, centred.size - splits)  # the others add up to as much, with the other sign
    power = sums**2 / 2 / (fewer * np.mean(centred**2) + np.abs(centred).max() * sums / 3)
    return float(np.sum(2 * np.exp(-power)))


def changes(
    days: list[Int], surprises: list[Float], least: int, *, shuffles: int, alpha: float
) -> list[list[Change]]:
    """Return each crew's change points in order of time, none where nothing can be said or nothing changed.

    Parameters
    ----------
    days, surprises, least
        As in `change_point`, an array a crew.
    shuffles
        Random orders; more for many crews, so that the smallest level asked can be reached.
    alpha
        Chance of any false change.
    """
    shuffles = max(shuffles, math.ceil(2 * len(days) / alpha))
    first = [
        change_point(d, s, least, shuffles=shuffles, seed=seed, level=alpha)
        for seed, (d, s) in enumerate(zip(days, surprises, strict=True))
    ]
    is_significant = holm([change.p_value if change else 1.0 for change in first], alpha)
    points: list[list[Change]] = []
    for crew, (change, is_changed) in enumerate(zip(first, is_significant, strict=True)):
        if change is None or not is_changed:
            points.append([])
            continue
        points.append([change])
        level, split = alpha / (2 * len(first)), change.installs_before
        for start, end in ((0, split), (split, days[crew].size)):
            side = slice(start, end)
            more = change_point(
                days[crew][side], surprises[crew][side], least, shuffles=shuffles, seed=crew, level=level
            )
            if more is not None and more.p_value <= level:
                points[crew].append(Change(start + more.installs_before, more.p_value))
        points[crew].sort(key=lambda point: point.installs_before)
    return points

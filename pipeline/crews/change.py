"""Did a crew change? The order of its installs against random orders of the same installs.

What an install says is its chance of a fault less what the case mix, the period among it, leads to expect, so a change
of the whole fleet is none of a crew's. The most that sums of it wander between commissionings is compared with the
most in shuffled orders: exact whatever the chances look like. Crews are tested together by Holm's rule (Scand. J.
Statist. 6:65, 1979); each side of a change is searched once more.

Only as many orders are drawn as the answer takes. Where so many of them wander as far that no further ones could bring
the p-value down to the level, drawing ends, and hits / draws is the p-value (Besag and Clifford, Biometrika 78:301,
1991): what is rejected is the same as with all the draws. Where the installs wander farther than random orders all but
never can, by a bound that holds for any numbers (Bernstein's; that it holds for draws without replacement is Hoeffding,
JASA 58:13, 1963, theorem 4), none is drawn: the p-value is the least that the draws could have given, and more than
the true one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.core.multiple_tests import holm

Float = NDArray[np.float64]
Int = NDArray[np.int64]
_AT_ONCE = 30_000  # installs that are shuffled before it is seen whether more are needed: they fit a core's own memory
_NEVER = 1e-6  # chance of any hit among the draws that is as good as none


@dataclass(frozen=True)
class Change:
    """`at`: the number of installs before the change; `p_value` of so much wandering in a random order."""

    at: int
    p_value: float


def change_point(
    days: Int, surprise: Float, least: int, shuffles: int, seed: int, level: float = 1.0
) -> Change | None:
    """Return the likeliest change of the mean of `surprise`, None where there are too few installs to look for one.

    Parameters
    ----------
    days
        Of commissioning, rising; a change lies between two different days.
    least
        Installs that must lie on either side.
    shuffles
        Random orders that are drawn at the most.
    level
        From 0 to 1: a p-value above it need not be known closer than that.
    """
    count = days.size
    splits = np.arange(1, count)
    splits = splits[(np.diff(days) > 0) & (splits >= least) & (splits <= count - least)]
    if splits.size == 0 or np.ptp(surprise) == 0:
        return None
    scale = surprise.std() * np.sqrt(splits * (count - splits) / count)
    rest = surprise - surprise.mean()
    wander = np.abs(np.cumsum(rest)[splits - 1]) / scale
    farthest = float(wander.max())
    at = int(splits[np.argmax(wander)])
    if shuffles * _bound(rest, splits, farthest * scale) < _NEVER:
        return Change(at, 1 / (1 + shuffles))
    most_hits = math.floor(level * shuffles) + 1  # so many of all the draws are a p-value above the level
    starts = np.r_[0, splits]
    rng = np.random.default_rng(seed)
    reached, drawn = 0, 0
    while drawn < shuffles:
        orders = np.tile(rest, (min(max(1, _AT_ONCE // count), shuffles - drawn), 1))
        rng.permuted(orders, axis=1, out=orders)
        sums = np.add.reduceat(orders, starts, axis=1)[:, :-1]
        hits = (np.abs(np.cumsum(sums, axis=1)) / scale).max(axis=1) >= farthest - 1e-12
        enough = np.flatnonzero(np.cumsum(hits) + reached >= most_hits)
        if enough.size:
            return Change(at, most_hits / (drawn + int(enough[0]) + 1))
        reached, drawn = reached + int(hits.sum()), drawn + hits.size
    return Change(at, (1 + reached) / (1 + shuffles))


def _bound(rest: Float, splits: Int, sums: Float) -> float:
    """Return a chance that the first `splits` of `rest` in a random order, mean 0, add up to `sums` or more anywhere.

    It is never less than the true one: two sides and all splits of 2 exp(-sum^2 / 2 / (n variance + most sum / 3)).
    """
    fewer = np.minimum(splits, rest.size - splits)  # the others add up to as much, with the other sign
    power = sums**2 / 2 / (fewer * np.mean(rest**2) + np.abs(rest).max() * sums / 3)
    return float(np.sum(2 * np.exp(-power)))


def changes(
    days: list[Int], surprises: list[Float], least: int, shuffles: int, alpha: float
) -> list[list[Change]]:
    """Return each crew's changes in order of time, empty where nothing can be said or nothing changed.

    At least `shuffles` orders are drawn, and more of many crews: so many that the smallest level asked can be reached.
    """
    shuffles = max(shuffles, math.ceil(2 * len(days) / alpha))
    first = [
        change_point(d, s, least, shuffles, seed, alpha)
        for seed, (d, s) in enumerate(zip(days, surprises, strict=True))
    ]
    kept = holm([change.p_value if change else 1.0 for change in first], alpha)
    told: list[list[Change]] = []
    for crew, (change, is_kept) in enumerate(zip(first, kept, strict=True)):
        if change is None or not is_kept:
            told.append([])
            continue
        found, level = [change], alpha / (2 * len(first))
        for begin, end in ((0, change.at), (change.at, days[crew].size)):
            part = slice(begin, end)
            more = change_point(days[crew][part], surprises[crew][part], least, shuffles, crew, level)
            if more is not None and more.p_value <= level:
                found.append(Change(begin + more.at, more.p_value))
        told.append(sorted(found, key=lambda one: one.at))
    return told

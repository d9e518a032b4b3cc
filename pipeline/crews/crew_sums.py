"""Sums over each crew's installs at log odds beside a base: all that its rate is worked out from.

Homes are sorted by crew once, and what the base and the evidence say of each is raised to odds once: a home's odds at u
are then one product, so that a pass over all homes takes no exponential.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.crews.cells import Runs, by_group
from pipeline.crews.fleet import Installs

Float = NDArray[np.float64]
_FAR = 300.0  # log odds: beyond, exponentials would not be finite
LEAST_SHARE = 0.05  # of the information of inspected homes that a crew's homes have at the least
_MOST_LOG = 600.0  # of a product of odds, far below where it would not be finite
_ALIKE = 10  # homes of a kind from which on a logarithm a kind is quicker than a product
_GROUPS = 64  # products that are made side by side


@dataclass(frozen=True)
class Sums:
    """By crew: `score`, `known` information, `expected` faults, and `tilt` (crews x 2).

    `tilt` is how far the score moves with each column by which the likelihoods are adjusted.
    """

    score: Float
    known: Float
    expected: Float
    tilt: Float


@dataclass(frozen=True)
class CrewSums:
    """The homes of the crews, those that a visit told of and the others, both sorted by crew.

    `told_odds` and `odds` (base), `data_odds` (base and evidence) at u = 0; `tilt` the columns by which the
    likelihoods of the others are adjusted; `found` faults of each crew.
    """

    told: Runs
    told_odds: Float
    found: Float
    unseen: Runs
    odds: Float
    data_odds: Float
    tilt: tuple[Float, ...]

    @classmethod
    def of(cls, homes: Installs, base: Float, evidence: Float, tilt: Float) -> CrewSums:
        """Return the sums of these homes; `base`, `evidence` log odds and `tilt` (homes x any), one entry a home."""
        order = by_group(homes.crew, homes.crews)
        order = order[np.searchsorted(homes.crew[order], 0) :]
        is_known = homes.is_known[order]
        told, unseen = order[is_known], order[~is_known]
        told_runs, unseen_runs = (Runs.of(homes.crew[some], homes.crews) for some in (told, unseen))
        odds = np.exp(np.clip(base, -_FAR, _FAR))
        return cls(
            told_runs, odds[told], told_runs.sums(homes.found[told]), unseen_runs, odds[unseen],
            np.exp(np.clip((base + evidence)[unseen], -_FAR, _FAR)), tuple(tilt[unseen].T),
        )  # fmt: skip

    def score(self, u: Float) -> Float:
        """Return the score alone of each crew at its own u, in half the time."""
        power = np.exp(np.minimum(u, _FAR))
        told_odds = self.told_odds * self.told.spread(power)
        moved = self.unseen.spread(power)
        odds, data_odds = self.odds * moved, self.data_odds * moved
        guess, rate = data_odds / (1 + data_odds), odds / (1 + odds)
        return self.unseen.sums(guess - rate) + (self.found - self.told.sums(told_odds / (1 + told_odds)))

    def at(self, u: Float) -> Sums:
        """Return the sums with each crew at its own u."""
        power = np.exp(np.minimum(u, _FAR))
        told_odds = self.told_odds * self.told.spread(power)
        told_rate = told_odds / (1 + told_odds)
        moved = self.unseen.spread(power)
        odds, data_odds = self.odds * moved, self.data_odds * moved
        rest, data_rest = 1 + odds, 1 + data_odds
        rate, guess = odds / rest, data_odds / data_rest
        missing = guess / data_rest
        of_told, of_unseen = self.told.sums, self.unseen.sums
        told_expected = of_told(told_rate)
        whole = of_told(told_rate / (1 + told_odds)) + of_unseen(rate / rest)
        return Sums(
            of_unseen(guess - rate) + (self.found - told_expected),
            np.maximum(whole - of_unseen(missing), LEAST_SHARE * whole),
            told_expected + of_unseen(rate),
            np.column_stack([of_unseen(missing * column) for column in self.tilt]),
        )

    def log_likelihood(self, grid: Float) -> Float:
        """Return the log likelihood of each crew at each u of `grid` (crews x grid), up to a constant a crew."""
        power = np.exp(grid)
        told = self.found[:, None] * grid
        for runs, odds, log_sum, sign in (
            (self.told, self.told_odds, _log_alike, -1), (self.unseen, self.odds, _log_alike, -1),
            (self.unseen, self.data_odds, _log_product, 1),
        ):  # fmt: skip
            for crew, start, length in zip(runs.filled, runs.starts, runs.lengths, strict=True):
                told[crew] += sign * log_sum(odds[start : start + length], power)
        return told


def _log_alike(odds: Float, power: Float) -> Float:
    """Return `_log_product` of odds of which many are the same, as those of a few kinds of installs are."""
    kinds, count = np.unique(odds, return_counts=True)
    if _ALIKE * kinds.size > odds.size:
        return _log_product(odds, power)
    total: Float = count.astype(np.float64) @ np.log1p(kinds[:, None] * power)
    return total


def _log_product(odds: Float, power: Float) -> Float:
    """Return the sum of log(1 + odds power) over the homes at each power: the log of products of as many as go."""
    each = int(_MOST_LOG / np.log(2 + odds.max() * power.max()))
    total = np.zeros(power.size)
    for at in range(0, odds.size, each * _GROUPS):
        some = odds[at : at + each * _GROUPS]
        some = np.append(some, np.zeros(-some.size % each)).reshape(each, -1, 1)
        product = 1 + some[0] * power
        for row in some[1:]:
            product *= 1 + row * power
        total += np.log(product).sum(axis=0)
    return total

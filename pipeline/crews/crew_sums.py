"""Sums over each crew's installs at log odds beside a base: all that its rate is computed from.

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
    """The homes of the crews, the inspected ones and the others, both sorted by crew.

    `inspected_odds` and `odds` (base), `data_odds` (base and evidence) at u = 0; `tilt` the columns by which the
    likelihoods of the others are adjusted; `found` faults of each crew.
    """

    inspected: Runs
    inspected_odds: Float
    found: Float
    unseen: Runs
    odds: Float
    data_odds: Float
    tilt: tuple[Float, ...]

    @classmethod
    def of(cls, homes: Installs, base: Float, evidence: Float, *, tilt: Float) -> CrewSums:
        """Return the sums of these homes.

        Parameters
        ----------
        homes
            The installs (n,).
        base, evidence
            Log odds of a fault, and of its likelihood ratio (n,).
        tilt
            Columns by which the likelihoods are calibrated (n, any).
        """
        order = by_group(homes.crew, homes.crews)
        order = order[np.searchsorted(homes.crew[order], 0) :]
        is_known = homes.is_known[order]
        inspected, unseen = order[is_known], order[~is_known]
        runs, unseen_runs = (Runs.of(homes.crew[part], homes.crews) for part in (inspected, unseen))
        odds = np.exp(np.clip(base, -_FAR, _FAR))
        return cls(
            runs, odds[inspected], runs.sums(homes.found[inspected]), unseen_runs, odds[unseen],
            np.exp(np.clip((base + evidence)[unseen], -_FAR, _FAR)), tuple(tilt[unseen].T),
        )  # fmt: skip

    def score(self, u: Float) -> Float:
        """Return the score alone of each crew at its own u, in half the time."""
        power = np.exp(np.minimum(u, _FAR))
        inspected_odds = self.inspected_odds * self.inspected.spread(power)
        moved = self.unseen.spread(power)
        odds, data_odds = self.odds * moved, self.data_odds * moved
        guess, rate = data_odds / (1 + data_odds), odds / (1 + odds)
        return self.unseen.sums(guess - rate) + (
            self.found - self.inspected.sums(inspected_odds / (1 + inspected_odds))
        )

    def at(self, u: Float) -> Sums:
        """Return the sums with each crew at its own u."""
        power = np.exp(np.minimum(u, _FAR))
        inspected_odds = self.inspected_odds * self.inspected.spread(power)
        inspected_rate = inspected_odds / (1 + inspected_odds)
        moved = self.unseen.spread(power)
        odds, data_odds = self.odds * moved, self.data_odds * moved
        rest, data_rest = 1 + odds, 1 + data_odds
        rate, guess = odds / rest, data_odds / data_rest
        missing = guess / data_rest
        sum_inspected, sum_unseen = self.inspected.sums, self.unseen.sums
        inspected_expected = sum_inspected(inspected_rate)
        whole = sum_inspected(inspected_rate / (1 + inspected_odds)) + sum_unseen(rate / rest)
        return Sums(
            sum_unseen(guess - rate) + (self.found - inspected_expected),
            np.maximum(whole - sum_unseen(missing), LEAST_SHARE * whole),
            inspected_expected + sum_unseen(rate),
            np.column_stack([sum_unseen(missing * column) for column in self.tilt]),
        )

    def log_likelihood(self, grid: Float) -> Float:
        """Return the log likelihood of each crew at each u of `grid` (crews x grid), up to a constant a crew."""
        power = np.exp(grid)
        total = self.found[:, None] * grid
        for runs, odds, log_sum, sign in (
            (self.inspected, self.inspected_odds, _log_alike, -1), (self.unseen, self.odds, _log_alike, -1),
            (self.unseen, self.data_odds, _log_product, 1),
        ):  # fmt: skip
            for crew, start, length in zip(runs.filled, runs.starts, runs.lengths, strict=True):
                total[crew] += sign * log_sum(odds[start : start + length], power)
        return total


def _log_alike(odds: Float, power: Float) -> Float:
    """Return `_log_product` of odds of which many are the same, as those of a few kinds of installs are."""
    kinds, count = np.unique(odds, return_counts=True)
    if _ALIKE * kinds.size > odds.size:
        return _log_product(odds, power)
    total: Float = count.astype(np.float64) @ np.log1p(kinds[:, None] * power)
    return total


def _log_product(odds: Float, power: Float) -> Float:
    """Return the sum of log(1 + odds power) over the homes at each power: the log of products while they are finite."""
    each = int(_MOST_LOG / np.log(2 + odds.max() * power.max()))
    total = np.zeros(power.size)
    for start in range(0, odds.size, each * _GROUPS):
        block = odds[start : start + each * _GROUPS]
        block = np.append(block, np.zeros(-block.size % each)).reshape(each, -1, 1)
        product = 1 + block[0] * power
        for row in block[1:]:
            product *= 1 + row * power
        total += np.log(product).sum(axis=0)
    return total

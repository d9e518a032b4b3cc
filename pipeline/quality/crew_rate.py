"""What a crew's installs say of its rate: score, information, likelihood, and intervals from them.

A crew's rate moves with one number u, its log odds beside `base` (of each home). A home that was inspected says
y - rate; one that wasn't says m - rate, m its likelihood given u. The information is that of inspected homes less
what is missing, sum rate (1 - rate) - sum m (1 - m) over homes not inspected (Louis, JRSS B 44:226, 1982), and
the score interval |score| <= 1.96 sqrt(information) is exactly Wilson's where every home was inspected. What
is not known of the likelihoods' own offset and stretch widens it.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import special

from pipeline.quality.fleet import FleetFit, Installs, information
from pipeline.quality.intervals import Z

Float = NDArray[np.float64]
Int = NDArray[np.int64]
_FAR = 12.0  # log odds either way that are searched
_HALVINGS = 45
_STEP = 0.5  # log odds
_LEAST_SHARE = 0.05  # of the information of inspected homes that a crew's homes have at the least


@dataclass(frozen=True)
class CrewLikelihood:
    """The homes of the crews (Installs, FleetFit) beside a `base` log odds a home."""

    homes: Installs
    fit: FleetFit
    base: Float
    is_relative: bool = False
    has_case_mix: bool = False

    @cached_property
    def case_doubt(self) -> Float:
        """Each crew's variance of the score from the case mix not being known, over its information, at u = 0."""
        if not self.has_case_mix:
            return np.zeros(self.homes.crews)
        homes, mine = self.homes, self.homes.crew >= 0
        told = information(homes, self.fit.evidence, self.base)
        pull = np.zeros((homes.crews, homes.columns.shape[1]))
        np.add.at(pull, homes.crew[mine], (homes.columns * told[:, None])[mine])
        own = np.maximum(_by_crew(homes.crew[mine], told[mine], homes.crews), 1e-9)
        if self.is_relative:
            pull = pull - np.outer(own / own.sum(), pull.sum(axis=0))
        doubt: Float = np.einsum("ci,ij,cj->c", pull, self.fit.case_cov, pull) / own
        return np.minimum(doubt, 1 / _LEAST_SHARE)

    def sums(self, u: Float) -> tuple[Float, Float, Float]:
        """Return (score, its variance, expected faults) of each crew at its own u."""
        homes, mine = self.homes, self.homes.crew >= 0
        at, size = homes.crew[mine], homes.crews
        prior = (self.base + np.append(u, 0.0)[homes.crew])[mine]
        rate: Float = special.expit(prior)
        guess = special.expit(prior + self.fit.evidence[mine])
        unseen = ~homes.is_known[mine]
        missing = np.where(unseen, guess * (1 - guess), 0.0)
        told: Float = np.where(unseen, guess, homes.found[mine])
        score, expected = _by_crew(at, told - rate, size), _by_crew(at, rate, size)
        whole = _by_crew(at, rate * (1 - rate), size)
        known = np.maximum(whole - _by_crew(at, missing, size), _LEAST_SHARE * whole)
        tilt = [_by_crew(at, missing * column, size) for column in self.fit.adjust_columns[mine].T]
        pull = np.column_stack(tilt)
        if self.is_relative:  # an offset that all crews share does not move one against the fleet
            pull = pull - np.outer(known / max(known.sum(), 1e-12), pull.sum(axis=0))
        doubt: Float = np.einsum("ci,ij,cj->c", pull, self.fit.adjust_cov, pull)
        return score, known + doubt + self.case_doubt * known, expected

    def known(self, u: Float) -> Float:
        """Return each crew's information at u, without what is in doubt of likelihoods and case mix."""
        sure = replace(self, fit=_certain(self.fit), has_case_mix=False)
        return sure.sums(u)[1]

    def best(self) -> Float:
        """Return the likeliest u of each crew, within +-12."""
        edge = np.full(self.homes.crews, _FAR)
        return self._between(-edge, edge, 0.0)

    def interval(self) -> tuple[Float, Float, Float]:
        """Return (best, low, high) u of each crew, -inf / inf where there is no end.

        An end is the first u on its way from the best where score / sd passes 1.96: far out, where homes that weren't
        inspected say nothing any more, it falls again.
        """
        best = self.best()
        ends = [self._passed(best, side) for side in (-1.0, 1.0)]
        found = [
            self._between(np.minimum(best, end), np.maximum(best, end), -side * Z)
            for end, side in zip(ends, (-1.0, 1.0), strict=True)
        ]
        low, high = (
            np.where(np.isnan(end), side * np.inf, u)
            for u, end, side in zip(found, ends, (-1, 1), strict=True)
        )
        return np.where(np.abs(best) >= _FAR - 1e-6, np.sign(best) * np.inf, best), low, high

    def _passed(self, best: Float, side: float) -> Float:
        """Return a u beyond the interval's end on that side, nan where there is none within +-12."""
        end = np.full(best.size, np.nan)
        for step in np.arange(_STEP, 2 * _FAR, _STEP):
            at = np.clip(best + side * step, -_FAR, _FAR)
            score, variance, _ = self.sums(at)
            is_new = np.isnan(end) & (-side * score > Z * np.sqrt(variance))
            end = np.where(is_new, at, end)
            if np.all(np.isfinite(end) | (np.abs(at) >= _FAR)):
                break
        return end

    def _between(self, low: Float, high: Float, z: float) -> Float:
        """Return the u between low and high where score / sd falls through z."""
        for _ in range(_HALVINGS):
            middle = (low + high) / 2
            score, variance, _ = self.sums(np.nan_to_num(middle))
            above = score > z * np.sqrt(variance)
            low, high = np.where(above, middle, low), np.where(above, high, middle)
        ends: Float = (low + high) / 2
        return ends

    def log_likelihood(self, grid: Float) -> Float:
        """Return the log likelihood of each crew at each u of `grid` (crews x grid), largest 0.

        Flattened by the share of the score's variance that is information, which is what the doubt about the
        likelihoods leaves of it.
        """
        homes = self.homes
        told = np.zeros((homes.crews, grid.size))
        order = np.argsort(homes.crew, kind="stable")
        ends = np.searchsorted(homes.crew[order], np.arange(homes.crews + 1))
        for crew in range(homes.crews):
            mine = order[ends[crew] : ends[crew + 1]]
            known = homes.is_known[mine]
            prior = self.base[mine][:, None] + grid
            each = -np.logaddexp(0, prior)
            each += np.where(
                known[:, None],
                homes.found[mine][:, None] * prior,
                np.logaddexp(0, prior + self.fit.evidence[mine][:, None]),
            )
            told[crew] = each.sum(axis=0)
        told -= told.max(axis=1, keepdims=True)
        return told * self._left()[:, None]

    def _left(self) -> Float:
        homes, mine = self.homes, self.homes.crew >= 0
        at = np.clip(self.best(), -3, 3)
        _, variance, _ = self.sums(at)
        none = np.bincount(homes.crew[mine], minlength=homes.crews) == 0
        return np.where(none, 1.0, self.known(at) / np.maximum(variance, 1e-12))


def _certain(fit: FleetFit) -> FleetFit:
    return replace(fit, adjust_cov=np.zeros((2, 2)))


def _by_crew(at: Int, values: Float, crews: int) -> Float:
    total: Float = np.bincount(at, values, crews).astype(np.float64)
    return total

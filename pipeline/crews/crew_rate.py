"""The likelihood of a crew's rate given its installs: score, information, and intervals from them.

A crew's rate moves with one number u, its log odds beside `base` (of each home). The score of an inspected home is
y - rate; of one that wasn't, m - rate with m its likelihood given u. The information is that of inspected homes less
what is missing, sum rate (1 - rate) - sum m (1 - m) over homes not inspected (Louis, JRSS B 44:226, 1982), and
the score interval |score| <= 1.96 sqrt(information) is exactly Wilson's where every home was inspected. What
is not known of the likelihoods' calibration intercept and slope widens it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import elementwise

from pipeline.core.binomial_intervals import Z
from pipeline.crews.crew_sums import LEAST_SHARE, CrewSums, Sums
from pipeline.crews.fleet import FleetFit, Installs, information

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
_FAR = 12.0  # log odds either way that are searched
_HALVINGS = 3  # before the search for the best turns to steeper steps: which of several tops it goes to
_STEP = 0.5  # log odds
_NEAR = 1e-12  # log odds that are as good as none
_SLOPE = 1e-5  # log odds over which a slope is taken
_MOST_ROUNDS = 50
_NO_ROOT = -1  # how the search says that the value has the same sign at both ends


@dataclass(frozen=True)
class CrewLikelihood:
    """The homes of the crews (Installs, FleetFit) beside a `base` log odds a home.

    `is_relative`: compared with the fleet, so that a doubt which all crews share moves none; `has_case_mix`: the base
    has the case mix in it, which isn't known for certain either.
    """

    homes: Installs
    fit: FleetFit
    base: Float
    is_relative: bool = False
    has_case_mix: bool = False

    @cached_property
    def _sums(self) -> CrewSums:
        return CrewSums.of(self.homes, self.base, self.fit.evidence, tilt=self.fit.calibration_columns)

    @cached_property
    def case_doubt(self) -> Float:
        """Each crew's variance of the score from the case mix not being known, over its information, at u = 0."""
        if not self.has_case_mix:
            return np.zeros(self.homes.crews)
        homes, cells = self.homes, self.homes.cells
        known = cells.sums(information(homes, self.fit.evidence, self.base))
        pull = cells.by_crew(cells.columns * known[:, None], homes.crews)
        by_crew = np.maximum(cells.by_crew(known, homes.crews), 1e-9)
        if self.is_relative:
            pull = pull - np.outer(by_crew / by_crew.sum(), pull.sum(axis=0))
        doubt: Float = np.einsum("ci,ij,cj->c", pull, self.fit.case_cov, pull) / by_crew
        return np.minimum(doubt, 1 / LEAST_SHARE)

    def sums(self, u: Float) -> tuple[Float, Float, Float]:
        """Return (score, its variance, expected faults) of each crew at its own u."""
        sums = self._sums.at(u)
        return sums.score, self._variance(sums, sums), sums.expected

    def _variance(self, sums: Sums, fleet: Sums) -> Float:
        """Return the variance of each crew's score beside a fleet of which `fleet` are the sums."""
        pull = sums.tilt
        if self.is_relative:  # what all crews share does not move one against the fleet
            pull = pull - np.outer(sums.known / max(fleet.known.sum(), 1e-12), fleet.tilt.sum(axis=0))
        doubt: Float = np.einsum("ci,ij,cj->c", pull, self.fit.calibration_cov, pull)
        return sums.known + doubt + self.case_doubt * sums.known

    def known(self, u: Float) -> Float:
        """Return each crew's information at u, without what is in doubt of likelihoods and case mix."""
        return self._sums.at(u).known

    @cached_property
    def best(self) -> Float:
        """The likeliest u of each crew, within +-12."""
        low, high = np.full(self.homes.crews, -_FAR), np.full(self.homes.crews, _FAR)
        for _ in range(_HALVINGS):
            middle = (low + high) / 2
            above = self._sums.score(middle) > 0
            low, high = np.where(above, middle, low), np.where(above, high, middle)
        return falls_through(self._sums.score, low, high)

    def likeliest(self) -> Float:
        """Return the likeliest u of each crew, -inf / inf where it only ever grows likelier that way."""
        return np.where(np.abs(self.best) >= _FAR - 1e-6, np.sign(self.best) * np.inf, self.best)

    def interval(self) -> tuple[Float, Float, Float]:
        """Return (best, low, high) u of each crew, -inf / inf where there is no end.

        An end is the first u on its way from the best where score / sd passes 1.96: far out, where homes that weren't
        inspected say nothing any more, it falls again. Crews that are compared with the fleet are all at their ends
        together, those without one at 0.
        """
        return self.likeliest(), self._end(-1.0), self._end(1.0)

    def _end(self, side: float) -> Float:
        fleet = self._sums.at(self.best)
        inner, outer = self._passed(side, fleet)
        has_end = np.isfinite(outer)
        low, high = (np.where(has_end, pick(inner, outer), 0.0) for pick in (np.minimum, np.maximum))
        u = falls_through(lambda u: self._beyond(u, side, fleet), low, high)
        if self.is_relative:
            u = self._settled(np.where(has_end, u, 0.0), side, has_end)
        return np.where(has_end, u, side * np.inf)

    def _beyond(self, u: Float, side: float, fleet: Sums | None = None) -> Float:
        """Return each crew's score less where the interval ends on that side, `fleet` being at u too if not given."""
        sums = self._sums.at(u)
        return sums.score + side * Z * np.sqrt(self._variance(sums, fleet or sums))

    def _passed(self, side: float, fleet: Sums) -> tuple[Float, Float]:
        """Return the steps between which the interval's end on that side lies, nan where there is none within +-12."""
        inner = self.best
        begin, end = np.full((2, inner.size), np.nan)
        for step in np.arange(_STEP, 2 * _FAR, _STEP):
            outer = np.clip(self.best + side * step, -_FAR, _FAR)
            is_new = np.isnan(end) & (side * self._beyond(outer, side, fleet) < 0)
            begin, end = np.where(is_new, inner, begin), np.where(is_new, outer, end)
            if np.all(np.isfinite(end) | (np.abs(outer) >= _FAR)):
                break
            inner = outer
        return begin, end

    def _settled(self, u: Float, side: float, has_end: Bool) -> Float:
        """Return the ends moved to where they are with the whole fleet at its ends.

        The fleet that a crew is compared with hardly moves with it, so its own slope leads there in a few steps.
        """
        slope = (self._beyond(u + _SLOPE, side) - self._beyond(u, side)) / _SLOPE
        falls = has_end & (slope < 0)
        for _ in range(_MOST_ROUNDS):
            step = np.where(falls, self._beyond(u, side) / np.where(falls, slope, 1.0), 0.0)
            u = u - np.clip(step, -_STEP, _STEP)
            if np.max(np.abs(step), initial=0.0) < _NEAR:
                break
        return u

    def log_likelihood(self, grid: Float) -> Float:
        """Return the log likelihood of each crew at each u of `grid` (crews x grid), largest 0.

        Flattened by the share of the score's variance that is information, which is what the doubt about the
        likelihoods leaves of it.
        """
        log_likelihood = self._sums.log_likelihood(grid)
        log_likelihood -= log_likelihood.max(axis=1, keepdims=True)
        return log_likelihood * self._information_share()[:, None]

    def _information_share(self) -> Float:
        homes, has_crew = self.homes, self.homes.crew >= 0
        u = np.clip(self.best, -3, 3)
        _, variance, _ = self.sums(u)
        none = np.bincount(homes.crew[has_crew], minlength=homes.crews) == 0
        return np.where(none, 1.0, self.known(u) / np.maximum(variance, 1e-12))


def falls_through(value: Callable[[Float], Float], low: Float, high: Float) -> Float:
    """Return for each crew the u between `low` and `high` where its value falls through 0, an end where it doesn't.

    By inverse quadratic steps that halving keeps inside (Chandrupatla, Adv. Eng. Softw. 28:145, 1997): some eight
    passes where halving alone takes forty-five.
    """
    if low.size == 0:
        return low

    def value_of(u: Float, crew: Float) -> Float:
        every, index = low.copy(), crew.astype(np.int64)
        every[index] = u
        return value(every)[index]

    root = elementwise.find_root(
        value_of, (low, high), args=(np.arange(low.size),), tolerances={"xatol": _NEAR, "xrtol": 0.0}
    )
    is_inside = root.status != _NO_ROOT
    return np.where(is_inside, root.x, np.where(value(low) > 0, high, low))

"""The rates of every crew: unadjusted, adjusted for small samples, for case mix, for both, and which crews differ."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from pipeline.core.binomial_intervals import CONFIDENCE
from pipeline.core.setting_sections import CrewSettings
from pipeline.crews.crew_rate import CrewLikelihood
from pipeline.crews.fleet import FleetFit, Installs, fit_fleet
from pipeline.crews.funnel import Dispersion, over_dispersion, seen_ratio, tails
from pipeline.crews.shrink import Shrunk, shrink

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
_GRID = np.arange(-7.0, 7.0001, 0.04)
_OUT = (1 - CONFIDENCE) / 2
_STANDARD_HOMES = 2000  # homes that a standard rate is averaged over, evenly taken from all


@dataclass(frozen=True)
class Interval:
    """One value a crew with the ends of its 95 % interval."""

    value: Float
    low: Float
    high: Float


@dataclass(frozen=True)
class Estimates:
    """Estimates by crew, in the crews' order.

    `rate` share of its installs wrong from the start; `shrunk` the same, small-sample adjusted; `unseen` faults at its
    homes that nobody visited; `expected` faults that the fleet's average crew would have had on its installs; `ratio`
    observed / expected; `fair` its rate on the fleet's average installs, small-sample adjusted; `worth` and
    `worth_faults` its homes and faults counted as inspected average installs; `p_value` of a crew like the fleet lying
    so far out, `q_value` with many crews allowed for, `seen_from` how many times the fleet's rate would mostly be seen;
    `dispersion` of the fleet.
    """

    fit: FleetFit
    rate: Interval
    shrunk: Shrunk
    unseen: Interval
    expected: Float
    ratio: Interval
    fair: Shrunk
    worth: Float
    worth_faults: Float
    p_value: Float
    q_value: Float
    seen_from: Float
    dispersion: Dispersion


def estimate(homes: Installs, is_judged: Bool, settings: CrewSettings) -> Estimates:
    """Return the estimates; `is_judged` marks the crews with enough homes to be compared with others."""
    fit = fit_fleet(homes, settings)
    count = np.bincount(homes.crew[homes.crew >= 0], minlength=homes.crews).astype(np.float64)
    has_homes = count > 0
    fleet = float(np.clip(fit.fleet_rate, 1e-6, 1 - 1e-6))

    plain = CrewLikelihood(homes, fit, np.full(homes.crew.size, special.logit(fleet)))
    shift = special.logit(fleet)
    rate = Interval(*(special.expit(shift + u) for u in plain.interval()))
    shrunk = shrink(plain.log_likelihood(_GRID), shift + _GRID, fleet, has_homes=has_homes)

    mixed = CrewLikelihood(homes, fit, fit.hardness, is_relative=True, has_case_mix=True)
    expected = mixed.sums(np.zeros(homes.crews))[2]
    ratio = Interval(*(_ratio(mixed, u, expected) for u in mixed.interval()))
    absolute = replace(mixed, is_relative=False)
    fair = shrink(absolute.log_likelihood(_GRID), _standard_odds(fit.hardness), fleet, has_homes=has_homes)

    worth, worth_faults = _worth(mixed, fleet, has_homes)
    p_value = tails(worth_faults, worth, fleet)
    q_value = np.full(homes.crews, np.nan)
    q_value[is_judged] = stats.false_discovery_control(p_value[is_judged])
    spread = over_dispersion(
        worth_faults[is_judged], worth[is_judged], fleet, winsor_share=settings.winsor_share
    )
    seen_from = seen_ratio(worth, fleet, settings.limit_alpha)
    unseen = _unseen(homes, fit)
    return Estimates(
        fit, rate, shrunk, unseen, expected, ratio, fair, worth, worth_faults, p_value, q_value, seen_from, spread
    )  # fmt: skip


def _unseen(homes: Installs, fit: FleetFit) -> Interval:
    """Return the number of faults at each crew's homes that nobody visited: the sum of their chances, and its ends.

    Each home's own doubt widens them, and what all share: the calibration of the likelihoods, and the crew's own
    rate. The ends are whole numbers.
    """
    unseen = ~homes.is_known & (homes.crew >= 0)
    crew = homes.crew[unseen]

    def sums(values: Float) -> Float:
        return np.bincount(crew, values, homes.crews).astype(np.float64)

    doubt = (fit.chance * (1 - fit.chance))[unseen]
    faults, each = sums(fit.chance[unseen]), sums(doubt)
    tilt = np.column_stack([sums(doubt * column) for column in fit.calibration_columns[unseen].T])
    shared: Float = np.einsum("ci,ij,cj->c", tilt, fit.calibration_cov, tilt)
    variance = each + shared + each**2 / fit.effect_known
    low, high = (_count(share, faults, variance) for share in (_OUT, 1 - _OUT))
    return Interval(faults, np.minimum(low, faults), np.clip(high, faults, sums(np.ones(crew.size))))


def _count(share: float, mean: Float, variance: Float) -> Float:
    """Return the quantile of counts with that mean and variance: negative binomial, binomial where they vary less."""
    mean = np.maximum(mean, 1e-9)
    is_wide = variance > mean * (1 + 1e-9)
    spare = np.where(is_wide, variance - mean, mean)
    wide = stats.nbinom.ppf(share, mean**2 / spare, mean / (mean + spare))
    most = np.maximum(np.ceil(mean), np.round(mean / np.maximum(1 - variance / mean, 1e-6)))
    narrow: Float = stats.binom.ppf(share, most, mean / most)
    return np.where(is_wide, wide, narrow)


def _worth(mixed: CrewLikelihood, fleet: float, has_homes: Bool) -> tuple[Float, Float]:
    """Return homes and faults of the binomial with the fleet's rate that says as much as a crew's installs do.

    The score against the fleet's average crew and its information are the same. A crew has a part in the fleet it is
    compared with, which draws its score to 0 by the root of what is not its own; that is put right.
    """
    score, _, _ = mixed.sums(np.zeros(mixed.homes.crews))
    known = mixed.known(np.zeros(mixed.homes.crews))
    others = 1 - np.minimum(known / max(known.sum(), 1e-12), 0.5)
    worth = np.where(has_homes, known / (fleet * (1 - fleet)), 0.0)
    return worth, np.clip(worth * fleet + score / np.sqrt(others), 0, worth)


def _ratio(mixed: CrewLikelihood, u: Float, expected: Float) -> Float:
    faults = mixed.sums(u)[2]
    return np.divide(faults, expected, out=np.full_like(faults, np.nan), where=expected > 0)


def _standard_odds(hardness: Float) -> Float:
    """Return the log odds of the rate that a crew with each u of the grid would have on the fleet's installs.

    From rate and 1 - rate, so that a fleet without a fault, or with nothing else, has finite ones too.
    """
    if hardness.size == 0:
        return _GRID
    sample = np.sort(hardness)[:: max(1, hardness.size // _STANDARD_HOMES)]
    each = sample[:, None] + _GRID
    rate, complement = (special.expit(side * each).sum(axis=0) for side in (1, -1))
    odds: Float = np.log(rate / complement)
    return odds

"""One fit over the fleet: what its likelihoods are worth, how hard each install was, how crews differ.

A home nobody visited has a likelihood p, which was worked out for a fleet where a share b has a fault, and without
knowing the crew. The evidence behind it is the ratio odds(p) / odds(b); in a fleet or with a crew that errs more often
the same evidence means more. So

    log odds of a fault at home i = log odds p_i - log odds b + x_i beta + u_crew

where the fleet's own level in beta is what makes all the evidence together likeliest (Saerens et al., Neural
Computation 14:21, 2002), and visits, where there were some, say whether p is over- or understated (an offset and a
stretch of its log odds). Everything is estimated together by expectation and maximisation: homes that were not visited
enter with their evidence, those that were with what was found.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy import special

from pipeline.core.setting_sections import CrewSettings
from pipeline.crews.cells import Cells, Runs
from pipeline.crews.logistic import fit_logistic

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Bool = NDArray[np.bool_]
_MOST_ROUNDS = 200
_ENOUGH = 1e-5  # log odds
_FRESH = 8  # rounds that the regression's information is kept for: it hardly moves
_REACH = 1.4  # a round's step is lengthened by this: expectation and maximisation alone creeps
EDGE = 1e-6  # likelihoods stay this far from 0 and 1
_FAR = 300.0  # log odds: beyond, exponentials would not be finite
_LEAST = 0.05  # faults, and sound installs, that a fleet has at the least when its level is set


@dataclass(frozen=True)
class Installs:
    """The homes that speak, one entry each.

    `crew` numbers the crews from 0, -1 for none known; `likelihood` of a fault at commissioning as it was before any
    visit, nan where it isn't known; `is_known` a visit told; `found` 1 a fault at commissioning, 0 none (0 where not
    known); `columns` the case mix with its intercept first; `weight` of the known ones as a witness of all homes'
    likelihoods; `base_rate` the share of faulty homes that the likelihoods were worked out for.
    """

    crew: Int
    crews: int
    likelihood: Float
    is_known: Bool
    found: Float
    columns: Float
    weight: Float
    base_rate: float

    @property
    def log_odds(self) -> Float:
        """Log odds of the likelihood, 0 where it isn't known."""
        known = np.nan_to_num(self.likelihood, nan=0.5)
        odds: Float = special.logit(np.clip(known, EDGE, 1 - EDGE))
        return odds

    @cached_property
    def cells(self) -> Cells:
        """The homes by crew and case mix."""
        return Cells.of(self.crew, self.columns)


@dataclass(frozen=True)
class FleetFit:
    """What the fit leaves.

    `evidence` log of the likelihood ratio of each home; `hardness` log odds of a fault there with the fleet's average
    crew, `case_cov` the covariance of its coefficients, the level among them; `effect` each crew's own log odds and
    `effect_known` one over their variance; `adjust` the offset and stretch of the likelihoods with covariance
    `adjust_cov` and, a home, `adjust_columns`; `chance` of a fault at each home, 0 or 1 where it is known;
    `fleet_rate` their mean.
    """

    evidence: Float
    hardness: Float
    case_cov: Float
    effect: Float
    effect_known: Float
    adjust: Float
    adjust_cov: Float
    adjust_columns: Float
    chance: Float
    fleet_rate: float
    rounds: int


def fit_fleet(homes: Installs, settings: CrewSettings) -> FleetFit:
    """Return the fit.

    Crew effects and case mix are held near 0 by [crews] crew_sd and case_sd, the fleet's level near that of the
    likelihoods' own base rate by level_sd.
    """
    log_odds, has_odds = homes.log_odds, np.isfinite(homes.likelihood)
    witness = homes.is_known & has_odds
    middle = float(np.average(log_odds[witness], weights=homes.weight[witness])) if witness.any() else 0.0
    tilt = np.column_stack([np.ones(log_odds.size), log_odds - middle])
    adjust, adjust_cov = np.zeros(2), np.diag([settings.offset_sd**2, settings.stretch_sd**2])
    reference = float(special.logit(np.clip(homes.base_rate, EDGE, 1 - EDGE)))
    price = np.full(homes.columns.shape[1], settings.case_sd**-2)
    price[0] = settings.level_sd**-2
    effect = np.zeros(homes.crews)
    usual = np.r_[reference, np.zeros(homes.columns.shape[1] - 1)]
    beta = usual.copy()
    cells = homes.cells
    columns, unseen = cells.columns, _Unseen.of(homes)
    found = cells.sums(homes.found * homes.is_known)
    size = cells.sums(np.ones(log_odds.size))
    witness_tilt, witness_cell = tilt[witness], cells.of_home[witness]
    rounds, bend = 0, np.diag(price)
    for rounds in range(1, _MOST_ROUNDS + 1):
        if rounds == 1 or witness.any():  # else the likelihoods stay what they are
            evidence = np.where(has_odds, tilt @ adjust + log_odds - reference, 0.0)
            ratio = np.exp(evidence[unseen.homes])
        prior = columns @ beta + of_crew(cells.crew, effect)
        chance = unseen.chance(ratio, prior)
        expected = found + unseen.runs.sums(chance)
        before = np.concatenate([beta, effect, adjust])
        rate = special.expit(prior)
        if rounds % _FRESH in (1, 2):
            bend = (columns * (size * rate * (1 - rate))[:, None]).T @ columns + np.diag(price)
        slope = columns.T @ (expected - size * rate) - price * (beta - usual)
        beta = beta + _REACH * np.clip(np.linalg.solve(bend, slope), -2, 2)
        hardness = columns @ beta
        effect = _crew_step(cells, hardness, expected, size, effect, settings.crew_sd)
        if witness.any():
            prior = (hardness + of_crew(cells.crew, effect))[witness_cell]
            offset = log_odds[witness] - reference + prior
            adjust, adjust_cov = _adjust(witness_tilt, homes, witness, offset, adjust, settings)
        if np.max(np.abs(np.concatenate([beta, effect, adjust]) - before)) < _ENOUGH:
            break
    chances = homes.found * homes.is_known
    chances[unseen.homes] = chance
    hardness = columns @ beta
    faults = float(np.clip(chances.sum(), _LEAST, chances.size - _LEAST))
    hardness = (hardness + level(hardness, size, faults))[cells.of_home]
    case_cov, effect_known = _case_covariance(homes, evidence, hardness, effect, price, settings.crew_sd)
    fleet_rate = float(chances.mean()) if chances.size else 0.0
    return FleetFit(
        evidence,
        hardness,
        case_cov,
        effect,
        effect_known,
        adjust,
        adjust_cov,
        tilt,
        chances,
        fleet_rate,
        rounds,
    )


@dataclass(frozen=True)
class _Unseen:
    """The homes that no visit told of, by cell: `homes` which they are, `runs` of their cells."""

    homes: Int
    runs: Runs

    @classmethod
    def of(cls, homes: Installs) -> _Unseen:
        cells = homes.cells
        mine = ~homes.is_known[cells.order]
        return cls(cells.order[mine], Runs.of(cells.cell[mine], cells.count))

    def chance(self, ratio: Float, prior: Float) -> Float:
        """Return the chance of a fault of each, from its likelihood ratio and the log odds `prior` of its cell."""
        odds = ratio * self.runs.spread(np.exp(np.clip(prior, -_FAR, _FAR)))
        told: Float = odds / (1 + odds)
        return told


def information(homes: Installs, evidence: Float, prior: Float) -> Float:
    """Return what each home says of its log odds `prior`: rate (1 - rate) inspected, else what is left of it."""
    rate, guess = special.expit(prior), special.expit(prior + evidence)
    missing = np.where(homes.is_known, 0.0, guess * (1 - guess))
    told: Float = rate * (1 - rate) - missing
    return told


def _case_covariance(
    homes: Installs, evidence: Float, hardness: Float, effect: Float, price: Float, sd: float
) -> tuple[Float, Float]:
    """Return the covariance of the case mix, the crews' effects being fitted beside it (Schur's complement).

    And what is known of each crew's effect, its installs and the prior together.
    """
    cells = homes.cells
    told = information(homes, evidence, hardness + of_crew(homes.crew, effect))
    by_cell = cells.sums(told)
    weighted = cells.columns * by_cell[:, None]
    shared = cells.by_crew(weighted, homes.crews)
    by_crew = np.maximum(cells.by_crew(by_cell, homes.crews), 0) + sd**-2
    whole = weighted.T @ cells.columns + np.diag(price) - (shared / by_crew[:, None]).T @ shared
    values, vectors = np.linalg.eigh(whole)
    kept = np.maximum(values, price.max() * 0.5)  # the prior says that much at the least
    covariance: Float = (vectors / kept) @ vectors.T
    return covariance, by_crew


def of_crew(crew: Int, effect: Float) -> Float:
    """Return the effect of each of these crews, 0 for -1."""
    padded = np.append(effect, 0.0)
    return padded[crew]


def _crew_step(
    cells: Cells, hardness: Float, expected: Float, size: Float, effect: Float, sd: float
) -> Float:
    """Return the crew effects after one Newton step each; `expected` faults and `size` of each cell."""
    rate = special.expit(hardness + of_crew(cells.crew, effect))
    slope = cells.by_crew(expected - size * rate, effect.size) - effect / sd**2
    bend = cells.by_crew(size * rate * (1 - rate), effect.size) + sd**-2
    return effect + _REACH * np.clip(slope / bend, -2, 2)


def _adjust(
    tilt: Float, homes: Installs, witness: Bool, offset: Float, start: Float, settings: CrewSettings
) -> tuple[Float, Float]:
    """Return offset and stretch of the likelihoods as visits tell, and their robust covariance."""
    price = np.array([settings.offset_sd, settings.stretch_sd]) ** -2.0
    weight, found = homes.weight[witness], homes.found[witness]
    fit = fit_logistic(tilt, found, price, offset, weight, start=start, most_steps=2)
    rest = weight * (found - fit.rate(tilt, offset))
    meat = (tilt * (rest**2)[:, None]).T @ tilt + np.diag(price)
    return fit.beta, fit.covariance @ meat @ fit.covariance


def fleet_interval(fit: FleetFit, columns: Float) -> tuple[float, float]:
    """Return the 95 % interval of the fleet's rate: what its own level leaves open, and all likelihoods together.

    `columns` is the homes' case mix (n, k). In log odds: the variance at the average install, and that of the offset
    all likelihoods may share, as far as it moves the rate: as far as homes are neither surely right nor surely wrong.
    """
    rate = min(max(fit.fleet_rate, EDGE), 1 - EDGE)
    open_share = (
        float((fit.chance * (1 - fit.chance)).mean()) / (rate * (1 - rate)) if fit.chance.size else 1.0
    )
    average = columns.mean(axis=0) if len(columns) else np.eye(1, columns.shape[1])[0]
    level = float(average @ fit.case_cov @ average)
    spread = float(np.sqrt(level + fit.adjust_cov[0, 0] * min(open_share, 1.0) ** 2))
    middle = float(special.logit(rate))
    return float(special.expit(middle - 1.96 * spread)), float(special.expit(middle + 1.96 * spread))


def level(hardness: Float, size: Float, faults: float) -> float:
    """Return the log odds to add everywhere so that as many faults are expected as there are."""
    low, high = -30.0, 30.0
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if special.expit(hardness + middle) @ size < faults else (low, middle)
    return (low + high) / 2

"""One fit over the fleet: calibration of its likelihoods, case mix, crew effects.

A home nobody visited has a likelihood p, computed for a fleet where a share b has a fault, and without knowing the
crew. The evidence behind it is the ratio odds(p) / odds(b); in a fleet or with a crew that errs more often the same
evidence means more. So

    log odds of a fault at home i = log odds p_i - log odds b + x_i beta + u_crew

where the fleet's level in beta is what makes all the evidence together likeliest (Saerens et al., Neural Computation
14:21, 2002), and visits, where there were some, calibrate p (intercept and slope of its log odds). Everything is
estimated together by expectation and maximisation: homes that were not visited enter with their evidence, those that
were with what was found.
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
_REUSED = 8  # rounds that the regression's Hessian serves for: it hardly moves
_STEP = 1.4  # times the step of a round: expectation and maximisation alone is slow
EDGE = 1e-6  # likelihoods stay this far from 0 and 1
_FAR = 300.0  # log odds: beyond, exponentials would not be finite
_LEAST = 0.05  # faults, and sound installs, that a fleet has at the least when its level is set


@dataclass(frozen=True)
class Installs:
    """The homes with data or a visit, one entry each.

    `crew` numbers the crews from 0, -1 for none known; `likelihood` of a fault at commissioning as it was before any
    visit, nan where it isn't known; `is_known` by a visit; `found` 1 a fault at commissioning, 0 none (0 where not
    known); `columns` the case mix with its intercept first; `weight` of the known ones in the calibration of all homes'
    likelihoods; `base_rate` the share of faulty homes that the likelihoods were computed for.
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
    """The fit.

    `evidence` log of the likelihood ratio of each home; `hardness` log odds of a fault there with the fleet's average
    crew, `case_cov` the covariance of its coefficients, the level among them; `effect` each crew's own log odds and
    `effect_known` one over their variance; `calibration` the intercept and the slope - 1 of the likelihoods' log odds,
    with covariance `calibration_cov` and design `calibration_columns`; `chance` of a fault at each home, 0 or 1 where
    it is known; `fleet_rate` their mean.
    """

    evidence: Float
    hardness: Float
    case_cov: Float
    effect: Float
    effect_known: Float
    calibration: Float
    calibration_cov: Float
    calibration_columns: Float
    chance: Float
    fleet_rate: float
    rounds: int


def fit_fleet(homes: Installs, settings: CrewSettings) -> FleetFit:
    """Return the fit; L2 penalties are 1 / [crews] crew_sd^2, case_sd^2 and, for the fleet's level, level_sd^2."""
    log_odds, has_odds = homes.log_odds, np.isfinite(homes.likelihood)
    witness = homes.is_known & has_odds
    middle = float(np.average(log_odds[witness], weights=homes.weight[witness])) if witness.any() else 0.0
    tilt = np.column_stack([np.ones(log_odds.size), log_odds - middle])
    prior_sd = np.array([settings.offset_sd, settings.stretch_sd])
    calibration, calibration_cov = np.zeros(2), np.diag(prior_sd**2)
    reference = float(special.logit(np.clip(homes.base_rate, EDGE, 1 - EDGE)))
    penalty = np.full(homes.columns.shape[1], settings.case_sd**-2)
    penalty[0] = settings.level_sd**-2
    effect = np.zeros(homes.crews)
    usual = np.r_[reference, np.zeros(homes.columns.shape[1] - 1)]
    beta = usual.copy()
    cells = homes.cells
    columns, unseen = cells.columns, _Unseen.of(homes)
    found = cells.sums(homes.found * homes.is_known)
    size = cells.sums(np.ones(log_odds.size))
    witness_tilt, witness_cell = tilt[witness], cells.of_home[witness]
    rounds, hessian = 0, np.diag(penalty)
    for rounds in range(1, _MOST_ROUNDS + 1):
        if rounds == 1 or witness.any():  # else the likelihoods are not calibrated
            evidence = np.where(has_odds, tilt @ calibration + log_odds - reference, 0.0)
            ratio = np.exp(evidence[unseen.homes])
        prior = columns @ beta + of_crew(cells.crew, effect)
        chance = unseen.chance(ratio, prior)
        expected = found + unseen.runs.sums(chance)
        before = np.concatenate([beta, effect, calibration])
        rate = special.expit(prior)
        if rounds % _REUSED in (1, 2):
            hessian = (columns * (size * rate * (1 - rate))[:, None]).T @ columns + np.diag(penalty)
        gradient = columns.T @ (expected - size * rate) - penalty * (beta - usual)
        beta = beta + _STEP * np.clip(np.linalg.solve(hessian, gradient), -2, 2)
        hardness = columns @ beta
        effect = _crew_step(cells, hardness, expected, size, effect, settings.crew_sd)
        if witness.any():
            prior = (hardness + of_crew(cells.crew, effect))[witness_cell]
            offset = log_odds[witness] - reference + prior
            calibration, calibration_cov = _calibrate(
                witness_tilt, homes, witness, offset, calibration, prior_sd
            )
        if np.max(np.abs(np.concatenate([beta, effect, calibration]) - before)) < _ENOUGH:
            break
    chances = homes.found * homes.is_known
    chances[unseen.homes] = chance
    hardness = columns @ beta
    faults = float(np.clip(chances.sum(), _LEAST, chances.size - _LEAST))
    hardness = (hardness + level(hardness, size, faults))[cells.of_home]
    case_cov, effect_known = _case_covariance(homes, evidence, hardness, effect, penalty, settings.crew_sd)
    fleet_rate = float(chances.mean()) if chances.size else 0.0
    return FleetFit(
        evidence, hardness, case_cov, effect, effect_known, calibration, calibration_cov, tilt, chances, fleet_rate,
        rounds,
    )  # fmt: skip


@dataclass(frozen=True)
class _Unseen:
    """The homes without a visit, by cell: `homes` which they are, `runs` of their cells."""

    homes: Int
    runs: Runs

    @classmethod
    def of(cls, homes: Installs) -> _Unseen:
        cells = homes.cells
        is_unseen = ~homes.is_known[cells.order]
        return cls(cells.order[is_unseen], Runs.of(cells.cell[is_unseen], cells.count))

    def chance(self, ratio: Float, prior: Float) -> Float:
        """Return the chance of a fault of each, from its likelihood ratio and the log odds `prior` of its cell."""
        odds = ratio * self.runs.spread(np.exp(np.clip(prior, -_FAR, _FAR)))
        chance: Float = odds / (1 + odds)
        return chance


def information(homes: Installs, evidence: Float, prior: Float) -> Float:
    """Return each home's information on its log odds `prior`: rate (1 - rate), less what is missing uninspected."""
    rate, guess = special.expit(prior), special.expit(prior + evidence)
    known: Float = rate * (1 - rate) - np.where(homes.is_known, 0.0, guess * (1 - guess))
    return known


def _case_covariance(
    homes: Installs, evidence: Float, hardness: Float, effect: Float, penalty: Float, sd: float
) -> tuple[Float, Float]:
    """Return the covariance of the case mix, the crews' effects being fitted beside it (Schur's complement).

    And the information on each crew's effect, its installs and the prior together.
    """
    cells = homes.cells
    by_cell = cells.sums(information(homes, evidence, hardness + of_crew(homes.crew, effect)))
    weighted = cells.columns * by_cell[:, None]
    shared = cells.by_crew(weighted, homes.crews)
    by_crew = np.maximum(cells.by_crew(by_cell, homes.crews), 0) + sd**-2
    whole = weighted.T @ cells.columns + np.diag(penalty) - (shared / by_crew[:, None]).T @ shared
    values, vectors = np.linalg.eigh(whole)
    known = np.maximum(values, penalty.max() * 0.5)  # by the prior it is that much at the least
    covariance: Float = (vectors / known) @ vectors.T
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
    gradient = cells.by_crew(expected - size * rate, effect.size) - effect / sd**2
    hessian = cells.by_crew(size * rate * (1 - rate), effect.size) + sd**-2
    return effect + _STEP * np.clip(gradient / hessian, -2, 2)


def _calibrate(
    tilt: Float, homes: Installs, witness: Bool, offset: Float, start: Float, prior_sd: Float
) -> tuple[Float, Float]:
    """Return intercept and slope - 1 of the likelihoods by the visits, and their robust covariance."""
    penalty = prior_sd**-2.0
    weight, found = homes.weight[witness], homes.found[witness]
    fit = fit_logistic(tilt, found, penalty, offset=offset, weight=weight, start=start, most_steps=2)
    residual = weight * (found - fit.rate(tilt, offset))
    meat = (tilt * (residual**2)[:, None]).T @ tilt + np.diag(penalty)
    return fit.beta, fit.covariance @ meat @ fit.covariance


def fleet_interval(fit: FleetFit, columns: Float) -> tuple[float, float]:
    """Return the 95 % interval of the fleet's rate; `columns` is the homes' case mix (n, k).

    In log odds: the variance at the average install, and that of the calibration's intercept, as far as it moves the
    rate: as far as homes are neither surely right nor surely wrong.
    """
    rate = min(max(fit.fleet_rate, EDGE), 1 - EDGE)
    variance = float((fit.chance * (1 - fit.chance)).mean()) if fit.chance.size else np.inf
    open_share = variance / (rate * (1 - rate))
    average = columns.mean(axis=0) if len(columns) else np.eye(1, columns.shape[1])[0]
    level = float(average @ fit.case_cov @ average)
    spread = float(np.sqrt(level + fit.calibration_cov[0, 0] * min(open_share, 1.0) ** 2))
    middle = float(special.logit(rate))
    return float(special.expit(middle - 1.96 * spread)), float(special.expit(middle + 1.96 * spread))


def level(hardness: Float, size: Float, faults: float) -> float:
    """Return the log odds to add everywhere so that as many faults are expected as there are."""
    low, high = -30.0, 30.0
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if special.expit(hardness + middle) @ size < faults else (low, middle)
    return (low + high) / 2

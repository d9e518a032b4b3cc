"""One fit over the fleet: what its likelihoods are worth, how hard each install was, how crews differ.

A home nobody visited has a likelihood p, which was made without knowing the crew. The evidence behind it is the ratio
odds(p) / odds(mean p); a crew that errs more often makes the same evidence mean more. So

    log odds of a fault at home i = log odds p_i - log odds mean p + x_i beta + u_crew

and visits, where there were some, say whether p is over- or understated (an offset and a stretch of its log odds).
Everything is estimated together by expectation and maximisation: homes that were not visited enter with their
likelihood, those that were with what was found.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from pipeline.quality.logistic import fit_logistic
from pipeline.setting_sections import CrewSettings

Float = NDArray[np.float64]
Int = NDArray[np.int64]
Bool = NDArray[np.bool_]
_MOST_ROUNDS = 200
_ENOUGH = 1e-5  # log odds
_FRESH = 8  # rounds that the regression's information is kept for: it hardly moves
_REACH = 1.4  # a round's step is lengthened by this: expectation and maximisation alone creeps
_EDGE = 1e-6  # likelihoods stay this far from 0 and 1
_FREE = 1e-3
_LEAST = 0.05  # faults, and sound installs, that a fleet has at the least when its level is set


@dataclass(frozen=True)
class Installs:
    """The homes that speak, one entry each.

    `crew` numbers the crews from 0, -1 for none known; `likelihood` of a fault at commissioning as it was before any
    visit, nan where it isn't known; `is_known` a visit told; `found` 1 a fault at commissioning, 0 none (0 where not
    known); `columns` the case mix with its intercept first; `weight` of the known ones as a witness of all homes'
    likelihoods.
    """

    crew: Int
    crews: int
    likelihood: Float
    is_known: Bool
    found: Float
    columns: Float
    weight: Float

    @property
    def log_odds(self) -> Float:
        """Log odds of the likelihood, 0 where it isn't known."""
        known = np.nan_to_num(self.likelihood, nan=0.5)
        odds: Float = special.logit(np.clip(known, _EDGE, 1 - _EDGE))
        return odds


@dataclass(frozen=True)
class FleetFit:
    """What the fit leaves.

    `evidence` log of the likelihood ratio of each home; `hardness` log odds of a fault there with the fleet's average
    crew, `case_cov` the covariance of its coefficients, the level among them; `effect` each crew's own log odds;
    `adjust` the offset and stretch of the likelihoods with covariance `adjust_cov` and, a home, `adjust_columns`;
    `chance` of a fault at each home, 0 or 1 where it is known; `fleet_rate` their mean.
    """

    evidence: Float
    hardness: Float
    case_cov: Float
    effect: Float
    adjust: Float
    adjust_cov: Float
    adjust_columns: Float
    chance: Float
    fleet_rate: float
    rounds: int


def fit_fleet(homes: Installs, own: CrewSettings) -> FleetFit:
    """Return the fit. Crew effects and case mix are held near 0 by [crews] crew_sd and case_sd."""
    log_odds, has_odds = homes.log_odds, np.isfinite(homes.likelihood)
    witness = homes.is_known & has_odds
    middle = float(np.average(log_odds[witness], weights=homes.weight[witness])) if witness.any() else 0.0
    tilt = np.column_stack([np.ones(log_odds.size), log_odds - middle])
    adjust, adjust_cov = np.zeros(2), np.diag([own.offset_sd**2, own.stretch_sd**2])
    price = np.full(homes.columns.shape[1], own.case_sd**-2)
    price[0] = _FREE
    beta, effect = np.zeros(homes.columns.shape[1]), np.zeros(homes.crews)
    reference = _mean_odds(log_odds[has_odds])
    beta[0] = reference
    rounds, bend = 0, np.diag(price)
    for rounds in range(1, _MOST_ROUNDS + 1):
        told = log_odds + tilt @ adjust
        reference = _mean_odds(told[has_odds])
        evidence = np.where(has_odds, told - reference, 0.0)
        prior = homes.columns @ beta + _of(homes, effect)
        chance = np.where(homes.is_known, homes.found, special.expit(evidence + prior))
        before = np.concatenate([beta, effect, adjust])
        rate = special.expit(prior)
        if rounds % _FRESH in (1, 2):
            bend = (homes.columns * (rate * (1 - rate))[:, None]).T @ homes.columns + np.diag(price)
        slope = homes.columns.T @ (chance - rate) - price * beta
        beta = beta + _REACH * np.clip(np.linalg.solve(bend, slope), -2, 2)
        effect = _crew_step(homes, homes.columns @ beta, chance, effect, own.crew_sd)
        if witness.any():
            offset = (log_odds - reference + homes.columns @ beta + _of(homes, effect))[witness]
            adjust, adjust_cov = _adjust(tilt[witness], homes, witness, offset, adjust, own)
        if np.max(np.abs(np.concatenate([beta, effect, adjust]) - before)) < _ENOUGH:
            break
    hardness = homes.columns @ beta
    hardness = hardness + _level(hardness, float(np.clip(chance.sum(), _LEAST, chance.size - _LEAST)))
    case_cov = _case_covariance(homes, evidence, hardness, effect, price, own.crew_sd)
    fleet_rate = float(chance.mean()) if chance.size else 0.0
    return FleetFit(
        evidence, hardness, case_cov, effect, adjust, adjust_cov, tilt, chance, fleet_rate, rounds
    )


def information(homes: Installs, evidence: Float, prior: Float) -> Float:
    """Return what each home says of its log odds `prior`: rate (1 - rate) inspected, else what is left of it."""
    rate, guess = special.expit(prior), special.expit(prior + evidence)
    missing = np.where(homes.is_known, 0.0, guess * (1 - guess))
    told: Float = rate * (1 - rate) - missing
    return told


def _case_covariance(
    homes: Installs, evidence: Float, hardness: Float, effect: Float, price: Float, sd: float
) -> Float:
    """Return the covariance of the case mix, the crews' effects being fitted beside it (Schur's complement)."""
    told = information(homes, evidence, hardness + _of(homes, effect))
    weighted = homes.columns * told[:, None]
    mine = homes.crew >= 0
    shared = np.zeros((homes.crews, homes.columns.shape[1]))
    np.add.at(shared, homes.crew[mine], weighted[mine])
    by_crew = np.maximum(np.bincount(homes.crew[mine], told[mine], homes.crews), 0) + sd**-2
    whole = weighted.T @ homes.columns + np.diag(price) - (shared / by_crew[:, None]).T @ shared
    values, vectors = np.linalg.eigh(whole)
    kept = np.maximum(values, price.max() * 0.5)  # the prior says that much at the least
    covariance: Float = (vectors / kept) @ vectors.T
    return covariance


def _of(homes: Installs, effect: Float) -> Float:
    """Return each home's crew effect, 0 without a crew."""
    padded = np.append(effect, 0.0)
    return padded[homes.crew]


def _mean_odds(log_odds: Float) -> float:
    """Return the log odds of the mean likelihood."""
    return (
        float(special.logit(np.clip(special.expit(log_odds).mean(), _EDGE, 1 - _EDGE)))
        if log_odds.size
        else 0.0
    )


def _crew_step(homes: Installs, hardness: Float, chance: Float, effect: Float, sd: float) -> Float:
    """Return the crew effects after one Newton step each."""
    mine = homes.crew >= 0
    rate = special.expit(hardness + _of(homes, effect))
    at, size = homes.crew[mine], homes.crews
    slope = np.bincount(at, (chance - rate)[mine], size) - effect / sd**2
    bend = np.bincount(at, (rate * (1 - rate))[mine], size) + sd**-2
    return effect + _REACH * np.clip(slope / bend, -2, 2)


def _adjust(
    tilt: Float, homes: Installs, witness: Bool, offset: Float, start: Float, own: CrewSettings
) -> tuple[Float, Float]:
    """Return offset and stretch of the likelihoods as visits tell, and their robust covariance."""
    price = np.array([own.offset_sd, own.stretch_sd]) ** -2.0
    weight, found = homes.weight[witness], homes.found[witness]
    fit = fit_logistic(tilt, found, price, offset, weight, start=start, most_steps=2)
    rest = weight * (found - fit.rate(tilt, offset))
    meat = (tilt * (rest**2)[:, None]).T @ tilt + np.diag(price)
    return fit.beta, fit.covariance @ meat @ fit.covariance


def _level(hardness: Float, faults: float) -> float:
    """Return the log odds to add everywhere so that as many faults are expected as there are."""
    low, high = -30.0, 30.0
    for _ in range(80):
        middle = (low + high) / 2
        low, high = (middle, high) if special.expit(hardness + middle).sum() < faults else (low, middle)
    return (low + high) / 2

"""What the night's estimates of one fleet come to beside its truth."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from pipeline.core.binomial_intervals import wilson
from pipeline.core.setting_sections import CrewSettings
from pipeline.crews.estimates import Estimates, estimate
from pipeline.crews.trainings import FELL, ROSE, cell_rates, change_text, interrupted
from pipeline.crews.visiting import doubly_robust
from pipeline.evaluation.crew_recovery.synthetic_fleet import Scenario, SyntheticFleet, draw_fleet, shift_to

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
FUNNEL = (0.05, 0.002)  # nominal shares outside the inner and the outer limits


def replicate(scenario: Scenario, rng: np.random.Generator, settings: CrewSettings) -> dict[str, float]:
    """Return measure -> a mean over the crews of one drawn fleet, or one number."""
    fleet = draw_fleet(scenario, rng, settings.most_weight)
    size = np.bincount(fleet.homes.crew, minlength=fleet.homes.crews)
    ranked = size >= settings.min_judged
    estimates = estimate(fleet.homes, ranked, settings)
    if scenario.trained is not None:
        return _training(fleet, estimates, scenario.trained, settings)
    if scenario.first_homes:
        return _first_crew(fleet, estimates, settings)
    return _rates(fleet, estimates, size) | _visits(fleet) | _flags(fleet, estimates, ranked, settings)


def _rates(fleet: SyntheticFleet, estimates: Estimates, size: NDArray[np.int64]) -> dict[str, float]:
    """Return whether the intervals hold the truth, and how far estimates are from it."""
    crew, count = fleet.homes.crew, fleet.homes.crews
    truth = np.bincount(crew, fleet.chance, count) / size
    expected = np.bincount(crew, special.expit(fleet.hardness + _average_crew(fleet)), count)
    fair = np.array([special.expit(fleet.hardness + effect).mean() for effect in fleet.effect])
    unseen = np.bincount(crew, fleet.is_wrong * ~fleet.homes.is_known, count).astype(np.float64)
    return {
        "rate": _coverage(estimates.rate.low, estimates.rate.high, truth),
        "shrunk": _coverage(estimates.shrunk.low, estimates.shrunk.high, truth),
        "ratio": _coverage(estimates.ratio.low, estimates.ratio.high, truth * size / expected),
        "fair": _coverage(estimates.fair.low, estimates.fair.high, fair),
        "unseen": _coverage(estimates.unseen.low, estimates.unseen.high, unseen),
        "bias": float((estimates.rate.value * size).sum() / size.sum() - fleet.chance.mean()),
        "fair error": float(np.mean((estimates.fair.mean - fair) ** 2)),
        "raw error": float(np.mean((estimates.rate.value - fair) ** 2)),
    }


def _visits(fleet: SyntheticFleet) -> dict[str, float]:
    """Return what visits alone would show, and whether the fleet's rate by their probabilities holds the truth."""
    homes = fleet.homes
    visits, faults, chance, size = (
        np.bincount(homes.crew, weight, homes.crews).astype(np.float64)
        for weight in (homes.is_known, homes.found, fleet.chance, None)
    )
    is_visited = visits > 0
    visits, faults, truth = visits[is_visited], faults[is_visited], (chance / size)[is_visited]
    _, low, high = doubly_robust(homes.likelihood, homes.found, homes.is_known, chance=fleet.visit_chance)
    return {
        "visits only": float(np.mean(faults / visits - truth)),
        "wilson": _coverage(*wilson(faults, visits), truth),
        "weighted": float(low <= fleet.chance.mean() <= high),
    }


def _flags(
    fleet: SyntheticFleet, estimates: Estimates, ranked: Bool, settings: CrewSettings
) -> dict[str, float]:
    """Return how often crews lie outside the limits, how many stand out, and how many of these on the wrong side."""
    p_value = estimates.p_value[ranked]
    stands_out = ranked & (estimates.q_value < settings.false_discovery)
    is_wrong_side = _is_above(estimates) != (fleet.effect > _average_crew(fleet))
    return {
        "inner": float(np.mean(p_value < FUNNEL[0])),
        "outer": float(np.mean(p_value < FUNNEL[1])),
        "any": float(stands_out.any()),
        "standing": float(stands_out.sum()),
        "wrong side": float((stands_out & is_wrong_side).sum()),
    }


def _first_crew(fleet: SyntheticFleet, estimates: Estimates, settings: CrewSettings) -> dict[str, float]:
    """Return whether the first crew is seen to be worse, and by somebody who had inspected every home."""
    is_first = fleet.homes.crew == 0
    is_worse = _is_above(estimates)[0]
    usual = special.expit(fleet.hardness + _average_crew(fleet))[is_first]
    wrong = fleet.is_wrong[is_first].sum()
    tail = stats.poisson_binom.sf(wrong, usual) + stats.poisson_binom.pmf(wrong, usual) / 2
    return {
        "outside": float(is_worse and estimates.p_value[0] < settings.limit_alpha),
        "stands out": float(is_worse and estimates.q_value[0] < settings.false_discovery),
        "all inspected": float(tail < settings.limit_alpha / 2),
    }


def _training(
    fleet: SyntheticFleet, estimates: Estimates, trained: float, settings: CrewSettings
) -> dict[str, float]:
    """Return whether the interval holds what the first crew's training did, and what was said of it."""
    cell = np.where(fleet.homes.crew == 0, 0, 2) + fleet.is_late
    rate, worth = cell_rates(cell, fleet.homes, estimates.fit, topic=None, settings=settings)
    _, low, high = interrupted(rate * worth, worth, settings.training_draws)
    usual = fleet.hardness + fleet.effect[0]
    before, after = (special.expit(usual + step).mean() for step in (0.0, np.log(trained)))
    verdict = change_text(low, high)
    return {
        "training": float(low <= after / before <= high),
        "fell": float(verdict == FELL),
        "changed": float(verdict in (FELL, ROSE)),
    }


def _is_above(estimates: Estimates) -> Bool:
    above: Bool = estimates.worth_faults > estimates.worth * estimates.fit.fleet_rate
    return above


def _average_crew(fleet: SyntheticFleet) -> float:
    """Return the log odds of the crew that would have as many faults on all installs as there are."""
    return shift_to(fleet.hardness, float(fleet.chance.mean()))


def _coverage(low: Float, high: Float, truth: Float) -> float:
    return float(np.mean((low <= truth) & (truth <= high)))

"""What the night's estimates of one fleet come to beside its truth."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from pipeline.core.binomial_intervals import wilson
from pipeline.core.setting_sections import CrewSettings
from pipeline.crews.estimates import Estimates, estimate
from pipeline.crews.trainings import FELL, ROSE, cell_rates, interrupted, told_of
from pipeline.crews.visiting import doubly_robust
from pipeline.evaluation.crew_recovery.invented import Drawn, Fleet, draw_fleet, shift_to
from pipeline.evaluation.crew_recovery.scored import Scores

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
FUNNEL = (0.05, 0.002)  # nominal shares outside the inner and the outer limits


def replicate(
    spec: Fleet, rng: np.random.Generator, own: CrewSettings, scores: Scores | None = None
) -> dict[str, float]:
    """Return measure -> a mean over the fleet's crews, or one number."""
    drawn = draw_fleet(spec, rng, own.most_weight, scores)
    size = np.bincount(drawn.homes.crew, minlength=drawn.homes.crews)
    ranked = size >= own.min_judged
    found = estimate(drawn.homes, ranked, own)
    if spec.trained is not None:
        return _training(drawn, found, spec.trained, own)
    if spec.first_homes:
        return _first_crew(drawn, found, own)
    return _rates(drawn, found, size) | _visits(drawn) | _flags(drawn, found, ranked, own)


def _rates(drawn: Drawn, found: Estimates, size: NDArray[np.int64]) -> dict[str, float]:
    """Return whether the intervals hold the truth, and how far estimates are from it."""
    at, count = drawn.homes.crew, drawn.homes.crews
    truth = np.bincount(at, drawn.chance, count) / size
    expected = np.bincount(at, special.expit(drawn.hardness + _average_crew(drawn)), count)
    fair = np.array([special.expit(drawn.hardness + effect).mean() for effect in drawn.effect])
    unseen = ~drawn.homes.is_known
    left = np.bincount(at[unseen], drawn.is_wrong[unseen], count).astype(np.float64)
    return {
        "rate": _covers(found.rate.low, found.rate.high, truth),
        "shrunk": _covers(found.shrunk.low, found.shrunk.high, truth),
        "ratio": _covers(found.ratio.low, found.ratio.high, truth * size / expected),
        "fair": _covers(found.fair.low, found.fair.high, fair),
        "unseen": _covers(found.unseen.low, found.unseen.high, left),
        "bias": float((found.rate.value * size).sum() / size.sum() - drawn.chance.mean()),
        "fair error": float(np.mean((found.fair.mean - fair) ** 2)),
        "raw error": float(np.mean((found.rate.value - fair) ** 2)),
    }


def _visits(drawn: Drawn) -> dict[str, float]:
    """Return what visits alone would show, and whether the fleet's rate by their probabilities holds the truth."""
    homes = drawn.homes
    visits, faults = (
        np.bincount(homes.crew, some, homes.crews).astype(np.float64)
        for some in (homes.is_known, homes.found)
    )
    truth = np.bincount(homes.crew, drawn.chance, homes.crews) / np.bincount(homes.crew)
    some = visits > 0
    low, high = wilson(faults, visits)
    _, first, last = doubly_robust(homes.likelihood, homes.found, homes.is_known, chance=drawn.visit_chance)
    return {
        "visits only": float(np.mean(faults[some] / visits[some] - truth[some])),
        "wilson": _covers(low[some], high[some], truth[some]),
        "weighted": float(first <= drawn.chance.mean() <= last),
    }


def _flags(drawn: Drawn, found: Estimates, ranked: Bool, own: CrewSettings) -> dict[str, float]:
    """Return how often crews lie outside the limits, how many stand out, and how many of these on the wrong side."""
    p_value = found.p_value[ranked]
    stands_out = ranked & (found.q_value < own.false_discovery)
    wrong = stands_out & (_is_above(found) != (drawn.effect > _average_crew(drawn)))
    return {
        "inner": float(np.mean(p_value < FUNNEL[0])),
        "outer": float(np.mean(p_value < FUNNEL[1])),
        "any": float(stands_out.any()),
        "standing": float(stands_out.sum()),
        "wrong side": float(wrong.sum()),
    }


def _first_crew(drawn: Drawn, found: Estimates, own: CrewSettings) -> dict[str, float]:
    """Return whether the first crew is seen to be worse, and by somebody who had inspected every home."""
    mine = drawn.homes.crew == 0
    is_worse = _is_above(found)[0]
    usual = special.expit(drawn.hardness + _average_crew(drawn))[mine]
    wrong = drawn.is_wrong[mine].sum()
    tail = stats.poisson_binom.sf(wrong, usual) + stats.poisson_binom.pmf(wrong, usual) / 2
    return {
        "outside": float(is_worse and found.p_value[0] < own.limit_alpha),
        "stands out": float(is_worse and found.q_value[0] < own.false_discovery),
        "all inspected": float(tail < own.limit_alpha / 2),
    }


def _training(drawn: Drawn, found: Estimates, trained: float, own: CrewSettings) -> dict[str, float]:
    """Return whether the interval holds what the first crew's training did, and what was said of it."""
    cell = np.where(drawn.homes.crew == 0, 0, 2) + drawn.is_late
    rate, worth = cell_rates(cell, drawn.homes, found.fit, topic=None, settings=own)
    _, low, high = interrupted(rate * worth, worth, own.training_draws)
    usual = drawn.hardness + drawn.effect[0]
    before, after = (special.expit(usual + step).mean() for step in (0.0, np.log(trained)))
    said = told_of(low, high)
    return {
        "training": float(low <= after / before <= high),
        "fell": float(said == FELL),
        "changed": float(said in (FELL, ROSE)),
    }


def _is_above(found: Estimates) -> Bool:
    above: Bool = found.worth_faults > found.worth * found.fit.fleet_rate
    return above


def _average_crew(drawn: Drawn) -> float:
    """Return the log odds of the crew that would have as many faults on all installs as there are."""
    return shift_to(drawn.hardness, float(drawn.chance.mean()))


def _covers(low: Float, high: Float, truth: Float) -> float:
    return float(np.mean((low <= truth) & (truth <= high)))

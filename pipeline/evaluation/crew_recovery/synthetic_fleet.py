"""A fleet whose crews' error rates are known: homes x crews x positions x likelihoods x visits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from pipeline.crews.fleet import EDGE, Installs, level
from pipeline.crews.visiting import visit_chance, visit_columns, visit_weight
from pipeline.evaluation.crew_recovery.night_scores import NightScores

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
# log odds by level, how hard the trade says such installs are
LEVELS = (
    ("ct_location", (0.0, 0.2, 0.5, 0.9)),
    ("cts_per_leg", (0.0, 0.6)),
    ("lead_extended", (0.0, 0.5)),
    ("service", (0.0, 0.3)),
    ("period", (0.2, 0.0, -0.1, -0.2)),
)
LATE = 2  # periods from this one on lie after the first crew's training
# how well a home's data tell wrong from right, in sd of its log odds: together they leave about as much open as the
# likelihoods of `nightclamp proof` do, a fifth of what inspecting every home would say
_SEPARATION = (0.8, 2.5, 4.5)
_SEPARATION_SHARE = (0.1, 0.3, 0.6)
_SPECIALISE = 1.2  # the smaller, the more a crew does installs of one kind


@dataclass(frozen=True)
class Scenario:
    """How a fleet is drawn.

    `rate` of faults at commissioning; `crew_sd` of crews' log odds; `visit_share` of homes visited, where the
    likelihoods send (`is_listed`) or anywhere; `overstated` log odds added to every likelihood; `scores` are those
    that the night gave to simulated homes, None: they are drawn. With `first_homes` the first crew
    has so many installs, and on the fleet's it would err `first_factor` times as often; in the periods from LATE on its
    odds of a fault are `trained` times what they were.
    """

    crews: int = 24
    rate: float = 0.08
    crew_sd: float = 0.5
    visit_share: float = 0.12
    is_listed: bool = True
    overstated: float = 0.0
    scores: NightScores | None = None
    first_homes: int = 0
    first_factor: float = 1.0
    trained: float | None = None


@dataclass(frozen=True)
class SyntheticFleet:
    """The fleet as the pipeline may see it, and the truth.

    `chance` of a fault at each home; `hardness` log odds of it without the crew's own `effect`; `is_wrong` what it has;
    `is_late` commissioned from LATE on; `visit_chance` of a visit, as its model sees it.
    """

    homes: Installs
    chance: Float
    hardness: Float
    effect: Float
    is_wrong: Float
    is_late: Bool
    visit_chance: Float


def draw_fleet(scenario: Scenario, rng: np.random.Generator, most_weight: float) -> SyntheticFleet:
    """Return one fleet; no visited home counts for more than `most_weight`."""
    sizes = np.clip(rng.lognormal(np.log(55), 0.8, scenario.crews), 8, 300).astype(int)
    if scenario.first_homes:
        sizes[0] = scenario.first_homes
    crew = np.repeat(np.arange(scenario.crews), sizes)
    is_first = crew == 0
    difficulty, columns = np.zeros(crew.size), [np.ones(crew.size)]
    for _, effects in LEVELS:
        preference = rng.dirichlet(np.full(len(effects), _SPECIALISE), scenario.crews)
        if scenario.trained is not None:
            preference[0] = 1 / len(effects)  # as many installs after its training as before
        level_index = (rng.random(crew.size)[:, None] > preference.cumsum(axis=1)[crew]).sum(axis=1)
        level_index = np.minimum(level_index, len(effects) - 1)
        difficulty += np.array(effects)[level_index]
        columns += [(level_index == index).astype(np.float64) for index in range(len(effects))]
    is_late = level_index >= LATE  # the last of LEVELS is the period
    design = np.column_stack(columns)
    effect = rng.normal(0, scenario.crew_sd, scenario.crews)
    usual = ~is_first if scenario.first_homes else np.ones(crew.size, dtype=bool)
    hardness = difficulty + shift_to((difficulty + effect[crew])[usual], scenario.rate)
    if scenario.first_homes:
        effect[0] = shift_to(hardness, scenario.first_factor * scenario.rate)
    log_odds = hardness + effect[crew]
    log_odds[is_late & is_first] += np.log(scenario.trained or 1.0)
    chance = special.expit(log_odds)
    is_wrong = (rng.random(crew.size) < chance).astype(np.float64)
    scores = scenario.scores
    base_rate = scores.base_rate if scores else float(chance.mean())
    log_p = scores.draw(is_wrong, rng) if scores else _draw_log_odds(is_wrong, base_rate, rng)
    log_p = log_p + scenario.overstated
    is_visited = _draw_visits(scenario, log_p, rng)
    pi = visit_chance(visit_columns(log_p, design[:, 1:]), is_visited)
    weight = np.zeros(crew.size)
    weight[is_visited] = visit_weight(pi[is_visited], most_weight)  # mean 1 over the visited homes
    homes = Installs(
        crew,
        scenario.crews,
        special.expit(log_p),
        is_visited,
        is_wrong * is_visited,
        design,
        weight,
        base_rate,
    )
    return SyntheticFleet(homes, chance, hardness, effect, is_wrong, is_late, pi)


def shift_to(log_odds: Float, rate: float) -> float:
    """Return the log odds to add to all of these so that their mean chance is `rate`."""
    return level(log_odds, np.ones(log_odds.size), rate * log_odds.size)


def _draw_log_odds(is_wrong: Float, rate: float, rng: np.random.Generator) -> Float:
    """Return log odds of likelihoods that hold over the fleet, from two normal populations of evidence.

    Evidence of a home with separation d is normal with mean d^2 / 2 (wrong) or - d^2 / 2 (right) and variance d^2:
    that is its own log likelihood ratio.
    """
    separation = rng.choice(_SEPARATION, is_wrong.size, p=_SEPARATION_SHARE)
    evidence = rng.normal((2 * is_wrong - 1) * separation**2 / 2, separation)
    log_odds: Float = np.clip(special.logit(rate) + evidence, *special.logit([EDGE, 1 - EDGE]))
    return log_odds


def _draw_visits(scenario: Scenario, log_odds: Float, rng: np.random.Generator) -> Bool:
    """Return who was visited: the list's top with a day's chances, and a few for other reasons; or just anybody."""
    count = int(scenario.visit_share * log_odds.size)
    priority = (
        log_odds + rng.gumbel(0, 0.8, log_odds.size) if scenario.is_listed else rng.random(log_odds.size)
    )
    is_visited = np.zeros(log_odds.size, dtype=bool)
    is_visited[np.argsort(-priority)[:count]] = True
    return is_visited | (rng.random(log_odds.size) < 0.02)

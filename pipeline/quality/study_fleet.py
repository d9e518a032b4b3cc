"""A small invented fleet whose crews' error rates are known: homes x crews x positions x likelihoods x visits."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from pipeline.quality.fleet import Installs
from pipeline.quality.visiting import visit_chance, visit_columns, visit_weight

Float = NDArray[np.float64]
# log odds by level, how hard the trade says such installs are
LEVELS = (
    ("ct_location", (0.0, 0.2, 0.5, 0.9)),
    ("cts_per_leg", (0.0, 0.6)),
    ("lead_extended", (0.0, 0.5)),
    ("service", (0.0, 0.3)),
    ("period", (0.2, 0.0, -0.1, -0.2)),
)
# how well a home's data tell wrong from right, in sd of its log odds: together they leave about as much unsaid as the
# likelihoods of `nightclamp proof` do, a fifth of what inspecting every home would say
_SEPARATION = (0.8, 2.5, 4.5)
_SEPARATION_SHARE = (0.1, 0.3, 0.6)
_SPECIALISE = 1.2  # the smaller, the more a crew does installs of one kind


@dataclass(frozen=True)
class Fleet:
    """How a fleet is drawn.

    `rate` of faults at commissioning; `crew_sd` of crews' log odds; `visit_share` of homes visited, where the
    likelihoods send (`is_listed`) or anywhere; `overstated` log odds added to every likelihood. With `bad_crew` other
    than 1 the first crew has `bad_homes` installs and on the fleet's installs would err that many times as often.
    """

    crews: int = 24
    rate: float = 0.08
    crew_sd: float = 0.5
    visit_share: float = 0.12
    is_listed: bool = True
    overstated: float = 0.0
    bad_crew: float = 1.0
    bad_homes: int = 60


@dataclass(frozen=True)
class Drawn:
    """The fleet as the pipeline may see it, and the truth.

    `chance` of a fault at each home; `hardness` log odds of it without the crew's own `effect`; `is_wrong` what it has.
    """

    homes: Installs
    chance: Float
    hardness: Float
    effect: Float
    is_wrong: Float


def draw_fleet(spec: Fleet, rng: np.random.Generator, most_weight: float) -> Drawn:
    """Return one fleet. Likelihoods come from two normal populations of evidence, so they hold over the fleet.

    Evidence of a home with separation d is normal with mean d^2 / 2 (wrong) or - d^2 / 2 (right) and variance d^2:
    that is its own log likelihood ratio.
    """
    sizes = np.clip(rng.lognormal(np.log(55), 0.8, spec.crews), 8, 300).astype(int)
    if spec.bad_crew != 1:
        sizes[0] = spec.bad_homes
    crew = np.repeat(np.arange(spec.crews), sizes)
    hard, columns = np.zeros(crew.size), [np.ones(crew.size)]
    for _, effects in LEVELS:
        likes = rng.dirichlet(np.full(len(effects), _SPECIALISE), spec.crews)
        level = (rng.random(crew.size)[:, None] > likes.cumsum(axis=1)[crew]).sum(axis=1)
        level = np.minimum(level, len(effects) - 1)
        hard += np.array(effects)[level]
        columns += [(level == at).astype(np.float64) for at in range(len(effects))]
    design = np.column_stack(columns)
    effect = rng.normal(0, spec.crew_sd, spec.crews)
    others = crew > 0 if spec.bad_crew != 1 else crew >= 0
    log_odds = _at_rate(hard + effect[crew], spec.rate, others)
    hardness = log_odds - effect[crew]
    if spec.bad_crew != 1:
        effect[0] = _effect_of(hardness, spec.bad_crew * spec.rate)
    chance = special.expit(hardness + effect[crew])
    is_wrong = (rng.random(crew.size) < chance).astype(np.float64)
    apart = rng.choice(_SEPARATION, crew.size, p=_SEPARATION_SHARE)
    evidence = rng.normal((2 * is_wrong - 1) * apart**2 / 2, apart)
    likelihood = special.expit(special.logit(chance.mean()) + evidence + spec.overstated)
    seen = _visited(spec, likelihood, rng)
    log_p = special.logit(np.clip(likelihood, 1e-6, 1 - 1e-6))
    weight = np.zeros(crew.size)
    pi, _ = visit_chance(visit_columns(log_p, design[:, 1:]), seen)
    weight[seen] = visit_weight(pi[seen], most_weight)
    homes = Installs(crew, spec.crews, likelihood, seen, is_wrong * seen, design, weight)
    return Drawn(homes, chance, hardness, effect, is_wrong)


def _at_rate(log_odds: Float, rate: float, among: NDArray[np.bool_]) -> Float:
    """Return the log odds moved so that their mean chance among these homes is `rate`."""
    low, high = -15.0, 15.0
    for _ in range(60):
        middle = (low + high) / 2
        is_low = special.expit(log_odds[among] + middle).mean() < rate
        low, high = (middle, high) if is_low else (low, middle)
    return log_odds + middle


def _effect_of(hardness: Float, rate: float) -> float:
    """Return the crew's log odds with which it would have this rate on all these installs."""
    every = np.ones(hardness.size, dtype=bool)
    return float((_at_rate(hardness, rate, every) - hardness)[0])


def _visited(spec: Fleet, likelihood: Float, rng: np.random.Generator) -> NDArray[np.bool_]:
    """Return who was visited: the list's top with a day's chances, and a few for other reasons; or just anybody."""
    count = int(spec.visit_share * likelihood.size)
    if spec.is_listed:
        wish = special.logit(np.clip(likelihood, 1e-6, 1 - 1e-6)) + rng.gumbel(0, 0.8, likelihood.size)
    else:
        wish = rng.random(likelihood.size)
    seen = np.zeros(likelihood.size, dtype=bool)
    seen[np.argsort(-wish)[:count]] = True
    return seen | (rng.random(likelihood.size) < 0.02)

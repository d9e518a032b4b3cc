"""The night's estimates on many fleets whose truth is known, a scenario at a time.

The target of a measure is stated beside it. Coverage is the share of crews whose interval holds the truth; the error of
a measure over replications is that of fleets, not of crews, since crews of a fleet share its fit.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from multiprocessing import get_context

import numpy as np

from pipeline.core.setting_sections import CrewSettings
from pipeline.core.settings import Settings
from pipeline.evaluation.crew_recovery.invented import Fleet
from pipeline.evaluation.crew_recovery.replicate import replicate
from pipeline.evaluation.crew_recovery.results import Measure, Results
from pipeline.evaluation.crew_recovery.scored import Scores, scored_homes

BAD = Fleet(first_homes=60, first_factor=3.0)
TRAINED = Fleet(first_homes=200, first_factor=2.0)
SCORED = Fleet(is_scored=True)
SCENARIOS = {
    "list-driven": Fleet(),
    "random": Fleet(is_listed=False),
    "overstated": Fleet(overstated=0.5),
    "all alike": Fleet(crew_sd=0.0),
    "bad crew, 5 %": replace(BAD, rate=0.05),
    "bad crew, 8 %": replace(BAD, rate=0.08),
    "bad crew, 10 %": replace(BAD, rate=0.10),
    "trained": replace(TRAINED, trained=0.35),
    "trained in vain": replace(TRAINED, trained=1.0),
    "scored": SCORED,
    "scored, 5 %": replace(SCORED, rate=0.05),
    "scored, random": replace(SCORED, is_listed=False),
    "scored, all alike": replace(SCORED, crew_sd=0.0),
    "scored, bad crew, 10 %": replace(BAD, rate=0.10, is_scored=True),
}
Task = tuple[str, int, int]


def study(
    replications: int,
    seed: int,
    settings: Settings,
    workers: int,
    tell: Callable[[str], None],
    scored_sites: int,
) -> list[Measure]:
    """Return the measures of every scenario; the same arguments give the same numbers, however many workers.

    `scored_sites` homes are simulated for the scenarios that take the night's own likelihoods; 0 leaves these out.
    """
    scenarios = {name: spec for name, spec in SCENARIOS.items() if scored_sites or not spec.is_scored}
    scores = scored_homes(scored_sites, seed, settings, workers, tell) if scored_sites else None
    found: dict[str, list[dict[str, float]]] = {}
    tasks = [(name, seed, at) for name in scenarios for at in range(replications)]
    for (name, *_), result in zip(tasks, _run(tasks, settings.crews, scores, workers), strict=True):
        if name not in found:
            tell(f"  {name}")
        found.setdefault(name, []).append(result)
    return [
        measure
        for name, results in found.items()
        for measure in Results(
            name, SCENARIOS[name], {key: np.array([r[key] for r in results]) for key in results[0]}
        ).all()
    ]


def _run(
    tasks: list[Task], own: CrewSettings, scores: Scores | None, workers: int
) -> Iterator[dict[str, float]]:
    one = partial(_replicate, own=own, scores=scores)
    if workers <= 1:
        yield from map(one, tasks)
        return
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        yield from pool.map(one, tasks, chunksize=10)


def _replicate(task: Task, own: CrewSettings, scores: Scores | None) -> dict[str, float]:
    name, seed, at = task
    return replicate(SCENARIOS[name], np.random.default_rng([seed, at]), own, scores)

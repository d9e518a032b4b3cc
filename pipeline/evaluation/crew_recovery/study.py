"""The night's estimates on many fleets whose truth is known, a scenario at a time.

The target of a measure is stated beside it. Coverage is the share of crews whose interval holds the truth; the error of
a measure over replications is that of fleets, not of crews, since crews of a fleet share its fit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import partial
from itertools import islice

import numpy as np

from pipeline.core.setting_sections import CrewSettings
from pipeline.core.settings import Settings
from pipeline.core.worker_processes import map_tasks
from pipeline.evaluation.crew_recovery.night_scores import score_simulated_homes
from pipeline.evaluation.crew_recovery.replicate import replicate
from pipeline.evaluation.crew_recovery.results import Measure, measure_scenario
from pipeline.evaluation.crew_recovery.synthetic_fleet import Scenario

BAD = Scenario(first_homes=60, first_factor=3.0)
TRAINED = Scenario(first_homes=200, first_factor=2.0)
SCENARIOS = {
    "list-driven": Scenario(),
    "random": Scenario(is_listed=False),
    "overstated": Scenario(overstated=0.5),
    "all alike": Scenario(crew_sd=0.0),
    "bad crew, 5 %": replace(BAD, rate=0.05),
    "bad crew, 8 %": replace(BAD, rate=0.08),
    "bad crew, 10 %": replace(BAD, rate=0.10),
    "trained": replace(TRAINED, trained=0.35),
    "trained in vain": replace(TRAINED, trained=1.0),
}
# With likelihoods that the night gave to simulated homes.
SCORED = {
    "scored": Scenario(),
    "scored, 5 %": Scenario(rate=0.05),
    "scored, random": Scenario(is_listed=False),
    "scored, all alike": Scenario(crew_sd=0.0),
    "scored, bad crew, 10 %": replace(BAD, rate=0.10),
}


def run_study(
    replications: int,
    seed: int,
    settings: Settings,
    *,
    workers: int,
    scored_sites: int,
    tell: Callable[[str], None] = lambda line: None,
) -> list[Measure]:
    """Return the measures of every scenario; the same arguments give the same numbers, however many workers.

    Parameters
    ----------
    replications
        Fleets a scenario.
    seed
        Of the fleets.
    settings
        Of the night.
    workers
        Processes to share them.
    scored_sites
        Homes simulated for the scenarios SCORED; 0 leaves these out.
    tell
        Is called with each step.
    """
    scenarios = dict(SCENARIOS)
    if scored_sites:
        tell(f"  {scored_sites} simulated homes through the night")
        scores = score_simulated_homes(scored_sites, seed, settings, workers=workers)
        scenarios |= {name: replace(scenario, scores=scores) for name, scenario in SCORED.items()}
    tasks = [(scenario, (seed, number)) for scenario in scenarios.values() for number in range(replications)]
    results = map_tasks(partial(_replicate, settings=settings.crews), tasks, workers)
    measures = []
    for name, scenario in scenarios.items():
        tell(f"  {name}")
        batch = list(islice(results, replications))
        values = {key: np.array([result[key] for result in batch]) for key in batch[0]}
        measures += measure_scenario(name, scenario, values)
    return measures


def _replicate(task: tuple[Scenario, tuple[int, int]], settings: CrewSettings) -> dict[str, float]:
    scenario, seeds = task
    return replicate(scenario, np.random.default_rng(seeds), settings)

"""The command `nightclamp rehearse`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from pipeline.commands.options import (
    MOST_HOMES,
    Days,
    Homes,
    OutputConsole,
    Seed,
    SettingsFile,
    Workers,
    within,
)
from pipeline.core.settings import load_settings


def rehearse(
    *,
    sites: Homes = 2000,
    nights: Days = 182,
    visits: Annotated[int, Parameter(validator=within(0, MOST_HOMES))] = 6,
    seed: Seed = 1,
    family: str = "streets",
    out: Path = Path("nightclamp-rehearsal"),
    quick: bool = False,
    workers: Workers = 2,
    settings: SettingsFile = None,
) -> None:
    """Live through a simulated half year of nights and visits by the list, and by three simpler ways.

    Every night runs as `nightclamp nightly` does; every morning crews go by what it has published. Prints what was
    misreported, left and wasted, and how the fixes were verified; a page with pictures and tables goes to a folder.
    A rehearsal that was stopped goes on where it was when it is started again.

    Example: `nightclamp rehearse --quick`

    Parameters
    ----------
    sites
        Homes of the fleet [count].
    nights
        Nights in a row [count].
    visits
        Truck visits a day [count].
    seed
        Seed of the fleet and of the crews' luck.
    family
        Whose loads, sun and services the homes have: streets (the simulator's), or crest, weather or measured, which
        need the proof extra.
    out
        Folder of the page and the tables; OUT/series holds the fleet and every policy's nights.
    quick
        A tenth of the homes and of the visits, and half of the nights.
    workers
        Processes to share the work.
    """
    from pipeline.commands.progress import progress
    from pipeline.commands.study_console import show_study
    from pipeline.evaluation.policy_simulation.page import write_simulation
    from pipeline.evaluation.policy_simulation.request import SimulationRequest
    from pipeline.evaluation.policy_simulation.run import simulate_policies

    request = SimulationRequest(sites, nights, visits, seed, workers, quick, family)
    console = OutputConsole()
    with progress(console) as tell:
        study = simulate_policies(request, out / "series", load_settings(settings), tell=tell)
    show_study(console, study, write_simulation(study, out))

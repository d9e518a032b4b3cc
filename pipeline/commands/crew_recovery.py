"""The command `nightclamp fairness`."""

from __future__ import annotations

from math import isnan
from typing import Annotated

from cyclopts import Parameter

from pipeline.commands.options import MOST_HOMES, OutputConsole, Seed, SettingsFile, Workers, printer, within
from pipeline.core.settings import load_settings

_LOG_WIDTH = 120


def fairness(
    *,
    replications: Annotated[int, Parameter(validator=within(2, 1_000_000))] = 200,
    seed: Seed = 1,
    sites: Annotated[int, Parameter(validator=within(0, MOST_HOMES))] = 1500,
    workers: Workers = 2,
    settings: SettingsFile = None,
) -> None:
    """Measure the rates of crews on fleets whose truth is known.

    Coverage of every interval, error of the fair rate against the unadjusted one, false alarms of the control limits,
    detection of a crew three times as bad as the fleet, bias from where visits go, and what is reported of trainings;
    each with its target, with invented likelihoods and with those that the night gives to simulated homes.

    Example: `nightclamp fairness --replications 50 --sites 0`

    Parameters
    ----------
    replications
        Fleets a scenario [count], at least 2.
    seed
        Seed of the fleets.
    sites
        Simulated homes that go through the night for their likelihoods; 0 leaves those scenarios out.
    workers
        Processes to share them.
    """
    from rich.table import Table

    from pipeline.commands.progress import progress
    from pipeline.evaluation.crew_recovery.study import run_study

    console = OutputConsole()
    with progress(console) as tell:
        measures = run_study(
            replications, seed, load_settings(settings), workers=workers, scored_sites=sites, tell=tell
        )
    table = Table(title=f"Rates of crews, {replications} fleets a scenario, seed {seed}")
    for name in ("fleets", "measure", "measured", "95 %", "wanted", ""):
        table.add_column(name, justify="right" if name in ("measured", "95 %", "wanted") else "left")
    for row in measures:
        interval = "" if isnan(row.low) else f"{row.low:.4f} to {row.high:.4f}"
        met = "" if row.is_met is None else "met" if row.is_met else "not met"
        table.add_row(row.scenario, row.name, f"{row.value:.4f}", interval, row.wanted, met)
    printer(console, _LOG_WIDTH).print(table)
    targets = [row.is_met for row in measures if row.is_met is not None]
    print(f"{sum(targets)} of {len(targets)} targets met")

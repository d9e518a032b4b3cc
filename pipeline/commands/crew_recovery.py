"""The command `nightclamp fairness`; pipeline.commands.cli loads it when it is asked for."""

from __future__ import annotations

from math import isnan
from typing import Annotated

from cyclopts import Parameter
from cyclopts.validators import Number
from rich.console import Console
from rich.table import Table

from pipeline.commands.options import SettingsFile, printer
from pipeline.core.settings import load_settings

_LOG_WIDTH = 120


def fairness(
    *,
    replications: Annotated[int, Parameter(validator=Number(gte=2))] = 200,
    seed: int = 1,
    sites: Annotated[int, Parameter(validator=Number(gte=0))] = 1500,
    workers: int = 2,
    settings: SettingsFile = None,
) -> None:
    """Measure the rates of crews on fleets whose truth is known.

    Coverage of every interval, error of the fair rate against the unadjusted one, false alarms of the control limits,
    detection of a crew three times as bad as the fleet, bias from where visits go, and what is reported of trainings;
    each with its target, with invented likelihoods and with those that the night gives to simulated homes.

    Parameters
    ----------
    replications
        Fleets a scenario.
    seed
        Seed of the fleets.
    sites
        Simulated homes that go through the night for their likelihoods; 0 leaves those scenarios out.
    workers
        Processes to share them.
    settings
        TOML file that overrides shipped settings.
    """
    from pipeline.evaluation.crew_recovery.study import run_study

    console = Console()

    def tell(line: str) -> None:
        console.print(line, highlight=False, markup=False)

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
    tell(f"{sum(targets)} of {len(targets)} targets met")

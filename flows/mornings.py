"""Simulated mornings through the flow, as a served schedule and a deployment run it: `python -m flows.mornings`.

`nightclamp mornings` does the same with the command.
"""

import sys
from pathlib import Path
from typing import Annotated

from cyclopts import App, Parameter
from cyclopts.validators import Number
from rich.console import Console

from flows.night_flow import PublishedWithAlarm, nightly
from pipeline.core.errors import NightclampError
from pipeline.evaluation.mornings.study import MorningsRequest, live_sources, summary
from pipeline.evaluation.study_pages import Table, grid

app = App(name="python -m flows.mornings", help="Lets simulated mornings go by, each night a flow run.")


def run_flow(lake: Path, out: Path) -> int:
    """Run a night as a flow run; return the exit status that the command would end with."""
    try:
        nightly(str(lake), str(out))
    except PublishedWithAlarm as alarm:
        return alarm.exit_status
    return 0


@app.default
def main(
    *,
    mornings: Annotated[int, Parameter(validator=Number(gte=12))] = 60,
    sites: int = 48,
    seed: int = 1,
    source: tuple[str, ...] = (),
) -> None:
    """Let them go by.

    Parameters
    ----------
    mornings, sites, seed, source
        As those of `nightclamp mornings`.
    """
    request = MorningsRequest(mornings, sites=sites, seed=seed)
    console = Console(soft_wrap=True, highlight=False)
    lived = live_sources(request, source, "flow", run_night=run_flow, tell=console.print)
    console.print(grid(Table("mornings", "Mornings, and what the nights said", summary(lived))))


if __name__ == "__main__":
    try:
        app()
    except NightclampError as error:
        sys.stderr.write(f"nightclamp: {error}\n")
        sys.exit(error.exit_status)

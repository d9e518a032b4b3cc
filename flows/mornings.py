"""Simulated mornings through the flow, as a served schedule and a deployment run it: `python -m flows.mornings`.

`nightclamp mornings` does the same with the command.
"""

import tempfile
from pathlib import Path
from typing import Annotated

from cyclopts import App, Parameter
from cyclopts.validators import Number
from rich.console import Console

from flows.night_flow import PublishedWithAlarm, nightly
from pipeline.evaluation.mornings.sources import SOURCES
from pipeline.evaluation.mornings.study import MorningsRequest, live_mornings, simulate_fleet, summary
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
    console, lived = Console(soft_wrap=True, highlight=False), {}
    with tempfile.TemporaryDirectory(prefix="nightclamp-mornings-") as folder:
        root = Path(folder)
        fleet = simulate_fleet(request, root / "fleet")
        for name in source or SOURCES:
            lived[name, "flow"] = live_mornings(
                request,
                SOURCES[name],
                fleet,
                root / name.replace(" ", "-"),
                run_night=run_flow,
                tell=console.print,
            )
    console.print(grid(Table("mornings", "Mornings, and what the nights said", summary(lived))))


if __name__ == "__main__":
    app()

"""The command `nightclamp mornings`."""

from __future__ import annotations

import io
from contextlib import redirect_stderr, redirect_stdout
from functools import partial
from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from pipeline.commands.nightly import nightly
from pipeline.commands.options import OutputConsole, Seed, SettingsFile, printer, within


def mornings(
    *,
    mornings: Annotated[int, Parameter(validator=within(12, 366))] = 60,
    sites: Annotated[int, Parameter(validator=within(20, 10_000))] = 48,
    seed: Seed = 1,
    source: tuple[str, ...] = (),
    copied: bool = False,
    settings: SettingsFile = None,
) -> None:
    """Let simulated mornings go by with sources that deliver in their own way, and count false and missed alarms.

    Each morning at half past three in Denver the night runs as `nightclamp nightly` does, on files that arrived as the
    source delivers them: daily, a day late, half a day at a time, an area a day later, in batches. On some mornings a
    real failure shows first: nothing arrived, half the fleet, an area, a day cut, the rest of a day never came.

    Example: `nightclamp mornings --mornings 20`

    Parameters
    ----------
    mornings
        Mornings of each source [count].
    sites
        Homes of the fleet [count].
    seed
        Seed of the fleet and of the minutes by which files vary.
    source
        Sources to try, by name; all if not given.
    copied
        Files before the first morning have the time of a copy, which says nothing of when they came.
    """
    from pipeline.commands.progress import progress
    from pipeline.evaluation.mornings.study import MorningsRequest, live_sources, summary
    from pipeline.evaluation.study_pages import Table, grid

    request = MorningsRequest(mornings, sites=sites, seed=seed, is_copied=copied)
    console, run_night = OutputConsole(), partial(_run_quietly, settings=settings)
    with progress(console) as tell:
        lived = live_sources(request, source, "command", run_night=run_night, tell=tell)
    printer(console, 100).print(grid(Table("mornings", "Mornings, and what the nights said", summary(lived))))
    for (name, _), of_source in lived.items():
        for one in of_source:
            if one.is_false or (one.failure and not one.is_found):
                what = "missed" if one.failure else "false"
                console.print(
                    f"{what}: {name}, {one.day}, {one.failure} {', '.join(one.codes)}", highlight=False
                )


def _run_quietly(lake: Path, out: Path, settings: Path | None) -> int:
    """Run a night as cron does; return its exit status."""
    try:
        with redirect_stdout(io.StringIO()), redirect_stderr(io.StringIO()):
            nightly(lake, out=out, settings=settings)
    except SystemExit as left:
        return int(left.code or 0)
    return 0

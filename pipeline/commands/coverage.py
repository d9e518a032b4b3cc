"""The command `nightclamp coverage`."""

from __future__ import annotations

from typing import Annotated

from cyclopts import Parameter

from pipeline.commands.options import MOST_HOMES, OutputConsole, Seed, SettingsFile, printer, within
from pipeline.core.settings import load_settings

SHOWN = (
    "true_fault", "homes", "rows", "exact_share", "row_coverage", "width_w", "truth_w", "kwh_coverage",
    "kwh_width_share", "reported_error_share", "corrected_error_share",
)  # fmt: skip


def coverage(
    *,
    sites: Annotated[int, Parameter(validator=within(20, MOST_HOMES))] = 600,
    days: Annotated[int, Parameter(validator=within(14, 3650))] = 60,
    seed: Seed = 41,
    fault_share: Annotated[float, Parameter(validator=within(0.001, 1.0))] = 0.25,
    settings: SettingsFile = None,
) -> None:
    """Measure corrected readings on fleets of three families whose right readings are known.

    Each fleet goes through a night and `correct`. Told by fault: how often the 95 % interval of a power, and of a
    home's energy, holds the truth, how wide it is, and how far reported and corrected energy lie from the truth; what
    was not put right and why; and how many home-days were corrected on which nothing was wrong.

    Example: `nightclamp coverage --sites 200 --days 30`

    Parameters
    ----------
    sites
        Homes of each fleet.
    days
        Days of each fleet; the night looks at the last 30, the history at all.
    seed
        Seed of the first fleet; the others' follow it.
    fault_share
        Share of homes with a fault.
    """
    from pipeline.commands.progress import progress
    from pipeline.evaluation.correction_coverage import CoverageRequest, measure_coverage, pooled
    from pipeline.evaluation.study_pages import Table, grid

    console = OutputConsole()
    with progress(console) as tell:
        found = measure_coverage(
            CoverageRequest(sites, days, seed, fault_share), load_settings(settings), tell
        )
    wide = printer(console, 170)
    tables = [("all families", pooled(found.fault))]
    tables += [(str(name), part) for (name,), part in found.fault.group_by("family", maintain_order=True)]
    for name, part in tables:
        wide.print()
        wide.print(
            grid(Table(name, f"Corrected readings by the fault that was there: {name}", part, "", SHOWN))
        )
    for name, title, frame in (
        ("left", "How readings of faulty homes came about, and why not", found.left),
        ("mistaken", "Home-days corrected, and those on which nothing was wrong", found.mistaken),
    ):
        wide.print()
        wide.print(grid(Table(name, title, frame)))

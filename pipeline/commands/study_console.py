"""What the studies print when they are done: their tables, as wide as the terminal and no wider."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

from rich.console import Console

from pipeline.commands.options import printer
from pipeline.evaluation.study_pages import Study, grid

LOG_WIDTH = 150  # of a table in a log


def show_study(console: Console, study: Study, page: Path, *, left_out: Collection[str] = ()) -> None:
    """Print the tables, how many of the targets are met, and where the results are.

    Parameters
    ----------
    console
        Where to.
    study
        What was measured.
    page
        The page of results.
    left_out
        Names of tables that stand on the page only.
    """
    wide = printer(console, LOG_WIDTH)
    wide.print(study.summary, highlight=False, markup=False)
    for table in study.tables:
        if table.name not in left_out:
            wide.print()
            wide.print(grid(table))
            if table.note:
                wide.print(table.note, highlight=False, markup=False, style="dim")
    met = study.tables[0].frame["is_met"]
    for line in (
        f"{int(met.sum())} of {len(met)} targets met; {study.seconds['all']:.0f} s",
        f"results: {page}",
    ):
        console.print(line, highlight=False, markup=False, soft_wrap=True)

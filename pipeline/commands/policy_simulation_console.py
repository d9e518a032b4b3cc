"""What `nightclamp rehearse` prints: its tables, as wide as the terminal and no wider."""

from __future__ import annotations

from rich.console import Console

from pipeline.commands.options import printer
from pipeline.evaluation.policy_simulation.tally import Tally
from pipeline.evaluation.result_pages import grid

LOG_WIDTH = 140  # of a table in a log


def show_tally(console: Console, tally: Tally) -> None:
    """Print the tables, and how many of the targets are met."""
    wide = printer(console, LOG_WIDTH)
    wide.print(tally.told, highlight=False, markup=False)
    for table in tally.tables:
        wide.print()
        wide.print(grid(table))
        if table.note:
            wide.print(table.note, highlight=False, markup=False, style="dim")
    met = tally.tables[0].frame["is_met"]
    line = f"{int(met.sum())} of {len(met)} targets met; {tally.seconds:.0f} s"
    console.print(line, highlight=False, markup=False, soft_wrap=True)

"""What `nightclamp rehearse` prints: its tables, as wide as the terminal and no wider."""

from __future__ import annotations

from rich.console import Console
from rich.table import Table as Grid

from pipeline.rehearsal.tables import Table
from pipeline.rehearsal.tally import Tally

LOG_WIDTH = 140  # of a table in a log


def show_tally(console: Console, tally: Tally) -> None:
    """Print the tables, and how many of the targets are met."""
    width = console.width if console.is_terminal else max(LOG_WIDTH, console.width)
    printer = console if console.is_terminal else Console(file=console.file, width=width)
    printer.print(tally.told, highlight=False, markup=False)
    for table in tally.tables:
        printer.print()
        printer.print(_grid(table))
        if table.note:
            printer.print(table.note, highlight=False, markup=False, style="dim")
    met = tally.tables[0].frame["is_met"]
    line = f"{int(met.sum())} of {len(met)} targets met; {tally.seconds:.0f} s"
    console.print(line, highlight=False, markup=False, soft_wrap=True)


def _grid(table: Table) -> Grid:
    headings, rows, numbers = table.cells()
    grid = Grid(title=table.title, title_justify="left", pad_edge=False)
    for heading, is_number in zip(headings, numbers, strict=True):
        grid.add_column(heading, justify="right" if is_number else "left", overflow="fold")
    for row in rows:
        grid.add_row(*row)
    return grid

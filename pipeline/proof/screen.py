"""What `nightclamp proof` prints: its tables, as wide as the terminal and no wider."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console
from rich.table import Table as Grid

from pipeline.proof.run import Proof
from pipeline.proof.tables import Table

PRINTED = ("targets", "fleets", "nights", "by_fault", "limit", "by_hard", "until_found", "calibration",
           "real_by_fault", "real_by_hard")  # fmt: skip
LOG_WIDTH = 120  # of a table in a log


@contextmanager
def teller(console: Console) -> Iterator[Callable[[str], None]]:
    """Give a function that shows progress: one status line on a terminal, plain lines elsewhere."""
    if console.is_terminal:
        with console.status("starting") as status:
            yield status.update
    else:
        yield lambda line: console.print(line, highlight=False, markup=False, soft_wrap=True)


def show_proof(console: Console, proof: Proof) -> None:
    """Print the tables, and how many of the targets are met."""
    width = console.width if console.is_terminal else max(LOG_WIDTH, console.width)
    printer = console if console.is_terminal else Console(file=console.file, width=width)
    for table in proof.tables:
        if table.name in PRINTED:
            printer.print(_grid(table))
            if table.note:
                printer.print(table.note, highlight=False, markup=False, style="dim")
            printer.print()
    met = proof.tables[0].frame["is_met"]
    console.print(
        f"{int(met.sum())} of {len(met)} targets met; model {proof.model_id}; {proof.seconds['all']:.0f} s",
        highlight=False,
        markup=False,
        soft_wrap=True,
    )


def _grid(table: Table) -> Grid:
    headings, rows, numbers = table.cells()
    grid = Grid(title=table.title, title_justify="left", pad_edge=False)
    for heading, is_number in zip(headings, numbers, strict=True):
        grid.add_column(heading, justify="right" if is_number else "left", overflow="fold")
    for row in rows:
        grid.add_row(*row)
    return grid

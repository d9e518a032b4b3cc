"""What `nightclamp proof` prints: its tables, as wide as the terminal and no wider."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.console import Console

from pipeline.commands.options import printer
from pipeline.evaluation.result_pages import grid
from pipeline.evaluation.validation.run import Proof

PRINTED = ("targets", "fleets", "counts", "schooling", "nights", "by_fault", "limit", "by_hard", "until_found",
           "calibration", "real_by_fault", "real_by_hard")  # fmt: skip
LOG_WIDTH = 150  # of a table in a log


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
    wide = printer(console, LOG_WIDTH)
    wide.print(proof.told, highlight=False, markup=False)
    wide.print()
    for table in proof.tables:
        if table.name in PRINTED:
            wide.print(grid(table))
            if table.note:
                wide.print(table.note, highlight=False, markup=False, style="dim")
            wide.print()
    met = proof.tables[0].frame["is_met"]
    console.print(
        f"{int(met.sum())} of {len(met)} targets met; model {proof.model_id}; {proof.seconds['all']:.0f} s",
        highlight=False,
        markup=False,
        soft_wrap=True,
    )

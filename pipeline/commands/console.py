"""What the commands say: progress and the night's table, for a terminal or as plain lines in a log."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import polars as pl
from rich.console import Console
from rich.table import Table
from rich.text import Text

from pipeline.core.alarm import ALARM, Alarm
from pipeline.core.glossary import LEGS
from pipeline.core.percent_text import percent
from pipeline.core.terminal_text import one_line
from pipeline.faults.fault_text import fault_title
from pipeline.nightly.run import NightResult


def teller(console: Console) -> Callable[[str], None]:
    """Return a function that shows progress: one status line on a terminal, plain lines elsewhere."""
    if not console.is_terminal:
        return lambda line: console.print(
            one_line(line), highlight=False, markup=False, emoji=False, soft_wrap=True
        )
    status = console.status("starting")
    status.start()
    return lambda line: status.update(Text(one_line(line.strip()))) if line else status.stop()


def show_night(console: Console, result: NightResult, rows: int, *, lines: Sequence[Alarm]) -> None:
    """Print the first rows of the list, what was read, where the full results are, then `lines`, alarms last.

    Parameters
    ----------
    console
        Where to print.
    result
        What the night made.
    rows
        How many rows of the list.
    lines
        Alarms and notes, printed last.
    """
    listed = result.revisit_list
    table = Table(title=f"Most worth a revisit, {result.as_of}", title_justify="left", pad_edge=False)
    for name in ("rank", "site", "suspected", "leg", "this fault", "any fault", "since", "by", "evidence"):
        table.add_column(
            name,
            justify="right" if name in ("rank", "this fault", "any fault") else "left",
            no_wrap=name not in ("suspected", "evidence"),
            overflow="fold",
        )
    for row in listed.head(rows).to_dicts():
        cells = (
            str(row["rank"]), row["site_id"], fault_title(row["suspected_fault"]), LEGS.get(row["leg"] or "", ""),
            percent(row["fault_likelihood"]), percent(row["likelihood"]), str(row["since"] or "first day"),
            row["fix_by"], row["evidence"].split("; ")[0],
        )  # fmt: skip
        table.add_row(*(Text(one_line(text)) for text in cells))  # a name is no mark-up
    if console.is_terminal:
        console.print(table)
    else:
        Console(file=console.file, width=max(150, console.width), force_terminal=False).print(table)
    counts = result.counts
    for line in (
        f"{listed.height} homes listed of {counts['homes']}"
        f" ({_count(listed, 'visit')} for a visit, {_count(listed, 'office')} for the office);"
        f" {counts['homes_silent']} homes without data",
        f"rows: {counts['rows_in']} in = {counts['rows_used']} used + {counts['rows_duplicate']} duplicate"
        f" + {counts['rows_rejected']} rejected; {result.fresh_days} days read",
        f"model: {result.model_note}",
        f"results: {result.published or result.folder}",
        f"report:  {result.folder / 'report' / 'index.html'}",
    ):
        console.print(one_line(line), highlight=False, markup=False, emoji=False, soft_wrap=True)
    for event in sorted(lines, key=lambda event: event.severity == ALARM):
        style = "bold red" if event.severity == ALARM else None
        severity = event.severity.upper() if event.severity == ALARM else event.severity
        line = f"{severity}: {event.told} (see {event.look})"
        console.print(one_line(line), style=style, highlight=False, markup=False, emoji=False, soft_wrap=True)


def _count(listed: pl.DataFrame, fix_by: str) -> int:
    return listed.filter(pl.col("fix_by") == fix_by).height

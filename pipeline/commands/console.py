"""What the night says: its table and its counts, for a terminal, as plain lines in a log, or as data."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

import polars as pl
from rich.console import Console
from rich.table import Table
from rich.text import Text

from pipeline.commands.options import OutputConsole
from pipeline.core.alarm import ALARM, Alarm, count_of
from pipeline.core.glossary import FIX_BY
from pipeline.core.line_words import leg_name
from pipeline.core.percent_text import percent
from pipeline.core.terminal_text import one_line
from pipeline.faults.fault_text import fault_title
from pipeline.nightly.retention_step import removed_text
from pipeline.nightly.run import NightResult
from pipeline.storage.retention import Removed

MOST_CALLS = 12


def night_summary(result: NightResult, rows: int, alarms: Sequence[Alarm]) -> dict[str, Any]:
    """Return what is told of a night, for the terminal as for `--json`.

    Keys: as_of, results and report (where they are), is_latest (whether OUT/latest leads there), model, days_read,
    counts (homes and rows), listed, site_visits, remote_fixes, list (the first `rows` rows of revisit_list), alarms
    (alarms and notes), seconds (by step).
    """
    listed = result.revisit_list
    return {
        "as_of": result.as_of,
        "results": result.published or result.folder,
        "report": result.folder / "report" / "index.html",
        "is_latest": result.is_latest,
        "model": result.model_note,
        "days_read": result.fresh_days,
        "counts": result.counts,
        "listed": listed.height,
        "site_visits": _count(listed, "visit"),
        "remote_fixes": _count(listed, "office"),
        "list": listed.head(rows).to_dicts(),
        "alarms": [vars(alarm) for alarm in alarms],
        "seconds": result.seconds,
    }


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
    summary = night_summary(result, rows, lines)
    table = Table(
        title=f"Homes to revisit, highest expected value first, {result.as_of}",
        title_justify="left",
        pad_edge=False,
    )
    for name in ("rank", "site", "suspected", "leg", "this fault", "any fault", "since", "by", "evidence"):
        table.add_column(
            name,
            justify="right" if name in ("rank", "this fault", "any fault") else "left",
            no_wrap=name not in ("suspected", "evidence"),
            overflow="fold",
        )
    for row in summary["list"]:
        cells = (
            str(row["rank"]), row["site_id"], fault_title(row["suspected_fault"], row["line_count"]),
            leg_name(row["leg"], row["line_count"]),
            percent(row["fault_likelihood"]), percent(row["likelihood"]), str(row["since"] or "first day"),
            FIX_BY[row["fix_by"]], row["evidence"].split("; ")[0],
        )  # fmt: skip
        table.add_row(*(Text(one_line(text)) for text in cells))  # a name is no mark-up
    if console.is_terminal:
        console.print(table)
    else:
        OutputConsole(file=console.file, width=max(150, console.width), force_terminal=False).print(table)
    counts = summary["counts"]
    if calls := safety_line(result.safety_call.filter("is_open")):
        console.print(
            one_line(calls), style="bold red", highlight=False, markup=False, emoji=False, soft_wrap=True
        )
    for line in (
        f"{count_of(summary['listed'], 'home')} listed of {counts['homes']:,}"
        f" ({count_of(summary['site_visits'], 'site visit')}, {summary['remote_fixes']:,} by remote fix);"
        f" {counts['homes_silent']} homes without data",
        f"rows: {counts['rows_in']} in = {counts['rows_used']} used + {counts['rows_duplicate']} duplicate"
        f" + {counts['rows_rejected']} rejected; {summary['days_read']} days read",
        f"model: {summary['model']}",
        f"results: {summary['results']}",
        f"report:  {summary['report']}",
        *([removed_text(result.removed)] if result.removed != Removed() else []),
    ):
        console.print(one_line(line), highlight=False, markup=False, emoji=False, soft_wrap=True)
    for event in sorted(lines, key=lambda event: event.severity == ALARM):
        style = "bold red" if event.severity == ALARM else None
        severity = event.severity.upper() if event.severity == ALARM else event.severity
        line = f"{severity}: {event.told} (see {event.look})"
        console.print(one_line(line), style=style, highlight=False, markup=False, emoji=False, soft_wrap=True)


def night_text(result: NightResult, rows: int, lines: Sequence[Alarm]) -> str:
    """Return what `show_night` prints where there is no terminal."""
    page = io.StringIO()
    show_night(OutputConsole(file=page, force_terminal=False), result, rows, lines=lines)
    return page.getvalue()


def safety_line(calls: pl.DataFrame) -> str:
    """Return the open safety calls in a line, "" without any."""
    named = [
        f"{site} ({status})"
        for site, status in calls.head(MOST_CALLS).select("site_id", "status").iter_rows()
    ]
    more = f" and {calls.height - MOST_CALLS} more" if calls.height > MOST_CALLS else ""
    what = "suspected loose service neutral, no CT job"
    return f"SAFETY CALLS, {calls.height}: {what}: {', '.join(named)}{more}" if named else ""


def _count(listed: pl.DataFrame, fix_by: str) -> int:
    return listed.filter(pl.col("fix_by") == fix_by).height

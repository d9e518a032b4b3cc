"""The artifacts of a flow run: the list's top, and what came in, was late, rejected or is missing."""

import json
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.core.alarm import ALARM, NOTE, Alarm
from pipeline.core.glossary import FIX_BY
from pipeline.nightly.run import NightResult
from pipeline.report import words

TOP_ROWS = 15
MOST_NAMED = 12


def top_rows(result: NightResult) -> list[dict[str, Any]]:
    """Return the first TOP_ROWS rows of the list in words, each with the likelihood of its very fault and of any."""
    return [
        {
            "rank": row["rank"],
            "home": row["site_id"],
            "area": row["area"],
            "suspected": words.fault(row["suspected_fault"]),
            "leg": words.leg(row["leg"]),
            "this fault": words.percent(row["fault_likelihood"]),
            "any fault": words.percent(row["likelihood"]),
            "since": str(row["since"] or "first day"),
            "fix by": FIX_BY[row["fix_by"]],
            "evidence": row["evidence"],
        }
        for row in result.revisit_list.head(TOP_ROWS).to_dicts()
    ]


def night_account(result: NightResult, alarms: Sequence[Alarm]) -> str:
    """Return the night in Markdown: alarms, safety calls, counts, notes, what was late, missing or rejected, and where.

    `alarms` are those of table alarm and beyond, notes too.
    """
    run = json.loads((result.folder / "run.json").read_text(encoding="utf-8"))
    counts, listed = result.counts, result.revisit_list
    by = dict(listed.group_by("fix_by").len().iter_rows())
    lines = [
        f"# Night of {result.as_of}",
        "",
        *_alarms(alarms),
        *_safety_calls(result.folder),
        f"- {listed.height} homes listed of {counts['homes']}: {by.get('visit', 0)} for a visit,"
        f" {by.get('office', 0)} for the office",
        f"- {counts['homes_silent']} homes without data",
        f"- rows: {counts['rows_in']} in = {counts['rows_used']} used + {counts['rows_duplicate']} duplicate"
        f" + {counts['rows_rejected']} rejected",
        f"- rows of the registers rejected: {counts['register_rows_rejected']}",
        f"- {result.fresh_days} of {len(run['days'])} days read, the others unchanged",
        f"- late: {_named(list(run['late']['days']))}",
        f"- missing days: {_named(run['days_missing'])}",
        f"- newer days left alone: {_named(run['later_days_left_alone'])}",
        f"- not read: {_named(run['not_read'])}",
        *(f"- {line.code.replace('_', ' ')}: {_cell(line.told)}" for line in alarms if line.severity == NOTE),
        f"- run: `{result.published or result.folder}`, pages: `{result.folder / 'report' / 'index.html'}`",
        "",
        *_rejects(result.folder),
    ]
    return "\n".join(lines) + "\n"


def alarm_line(result: NightResult, alarms: Sequence[Alarm]) -> str | None:
    """Return the state message of a night with an alarm, None for one without: it is published all the same."""
    sentences = "; ".join(line.told for line in alarms if line.severity == ALARM)
    return (
        f"published in {result.published or result.folder}, with an alarm: {sentences}" if sentences else None
    )


def _alarms(alarms: Sequence[Alarm]) -> Iterator[str]:
    for line in alarms:
        if line.severity == ALARM:
            yield f"**Alarm:** {_cell(line.told)} (see {_cell(line.look)})"
            yield ""


def _safety_calls(folder: Path) -> list[str]:
    """Return the homes to call at once: a loose service neutral is no CT fault, so the list does not name them."""
    scores = pl.read_parquet(folder / "site_scores.parquet", columns=["site_id", "is_neutral_suspect"])
    homes = scores.filter("is_neutral_suspect")["site_id"].to_list()
    if not homes:
        return []
    return [f"**Safety call:** legs diverge with load, perhaps a loose service neutral: {_named(homes)}", ""]


def _rejects(folder: Path) -> list[str]:
    reasons = (
        pl.scan_parquet(folder / "rejects.parquet", glob=False)
        .group_by("reason")
        .agg(pl.len().alias("rows"), pl.col("source_file").min())
        .sort("rows", "reason", descending=[True, False])
        .head(MOST_NAMED)
        .collect(engine="streaming")
    )
    if reasons.is_empty():
        return []
    body = [f"| {rows} | {_cell(reason)} | {_cell(file)} |" for reason, rows, file in reasons.iter_rows()]
    return ["| rejected | why | such as in |", "|---:|---|---|", *body]


def _cell(text: str) -> str:
    """Return the text so that it doesn't break the table it stands in."""
    return " ".join(text.replace("|", "\\|").replace("<", "&lt;").split())


def _named(items: list[str]) -> str:
    more = len(items) - MOST_NAMED
    names = ", ".join(_cell(item) for item in items[:MOST_NAMED])
    return (names + (f" and {more} more" if more > 0 else "")) or "none"

"""What the first page says: what to do today, the ranked list, and what the numbers rest on."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.core.alarm import ALARM, NOTE
from pipeline.core.contract import SAFETY, SOUND, SUSPECT, UNPROVEN, VERDICTS
from pipeline.core.glossary import FIX_BY, UNPROVEN_NEEDS
from pipeline.core.setting_sections import ReportSettings
from pipeline.report import words
from pipeline.report.home_groups import group_counts
from pipeline.report.home_lines import fleet_line_count
from pipeline.report.new_installs import new_installs
from pipeline.report.record_first import record_first
from pipeline.report.report_input import ReportInput
from pipeline.report.visit_plan import next_plan, plan_pages
from pipeline.report.visit_rows import after_visit_rows, doubt_rows

# The list's columns as the reader's own CSV of it gets them, in this order.
CSV_COLUMNS = (
    "rank", "site_id", "area", "likelihood", "fault_likelihood", "verdict", "suspected_fault", "leg", "since",
    "evidence", "fix_by", "bring", "minutes_on_site", "kwh_per_day_wrong", "priority", "nights_listed", "standing",
    "also_possible", "desk_change", "desk_proof", "crew_id",
)  # fmt: skip


def index_context(night: ReportInput, settings: ReportSettings) -> dict[str, Any]:
    """Return the template values of the first page."""
    listed, plan = night.revisit_list.sort("rank"), next_plan(night)
    planned = plan_pages(night)
    rows = [
        row
        | {
            "plan": planned.get(row["site_id"]),
            "line_count": row.get("line_count"),
            "suspicion": words.suspicion(
                row["suspected_fault"], row["leg"], night.faults, line_count=row.get("line_count")
            ),
            "csv": {name: _csv_text(row[name]) for name in CSV_COLUMNS},
        }
        for row in listed.head(settings.index_rows).to_dicts()
    ]
    visits = [row for row in rows if row["fix_by"] == "visit"]
    counts = group_counts(night.site_scores)
    needs = _needs(counts)
    return {
        "plan": plan,
        "needs": needs,
        "unproven": sum(need["homes"] for need in needs),
        "visits": visits,
        "office": [row for row in rows if row["fix_by"] == "office"],
        "alarms": night.alarm.filter(pl.col("severity") == ALARM).to_dicts(),
        "notes": night.alarm.filter(pl.col("severity") == NOTE).to_dicts(),
        "first_visits": [row for row in visits if row["verdict"] != SAFETY][: settings.first_rows],
        "safety": night.safety_call.filter("is_open").to_dicts(),  # most urgent first
        "choices": _choices(rows, night),
        "csv_columns": CSV_COLUMNS,
        "tiles": _tiles(night, counts),
        "rejects": night.rejects.sort(["count", "reason"], descending=[True, False]).to_dicts(),
        "listed": listed.height,
        "listed_visits": listed.filter(pl.col("fix_by") == "visit").height,
        "listed_office": listed.filter(pl.col("fix_by") == "office").height,
        "left_off": max(0, listed.height - settings.index_rows),
        "trucks": settings.trucks,
        "visits_per_truck": settings.visits_per_truck,
        "after_visits": after_visit_rows(night),
        "doubts": doubt_rows(night),
        **record_first(night),
        **new_installs(night),
    }


def _needs(counts: dict[str, int]) -> list[dict[str, Any]]:
    """Return what would settle the unproven homes, most homes first: code, name, what to do, how many homes."""
    needs = [
        {"need": need, "name": name, "text": text, "homes": counts[f"{UNPROVEN}-{need}"]}
        for need, (name, text) in UNPROVEN_NEEDS.items()
    ]
    return sorted((need for need in needs if need["homes"]), key=lambda need: (-need["homes"], need["need"]))


def _csv_text(value: object) -> str:
    return "" if value is None else f"{value:.6g}" if isinstance(value, float) else str(value)


def _choices(rows: list[dict[str, Any]], night: ReportInput) -> dict[str, list[tuple[str, str]]]:
    """Return the choices of each filter as (value, words), only those that occur, in reading order."""
    most = fleet_line_count(night.site_scores, night.sites)
    faults, areas, verdicts, ways = (
        {row[name] or "" for row in rows} for name in ("suspected_fault", "area", "verdict", "fix_by")
    )
    return {
        "area": sorted(((area, area or "no area") for area in areas), key=lambda pair: pair[::-1]),
        "suspected_fault": sorted(
            ((code, words.fault(code, night.faults, most)) for code in faults), key=lambda pair: pair[::-1]
        ),
        "verdict": [(verdict, verdict) for verdict in VERDICTS if verdict in verdicts],
        "fix_by": [(way, text) for way, text in FIX_BY.items() if way in ways],
    }


def _tiles(night: ReportInput, groups: dict[str, int]) -> list[tuple[str, str, str]]:
    """Return (name, number, words) of each tile: the homes by group, which add up to the fleet, then the rows."""
    unproven = sum(homes for group, homes in groups.items() if group.startswith(UNPROVEN))
    counts = night.counts
    homes, days = words.number(counts.homes), words.count(night.window_days, "day")
    rows, duplicate = words.number(counts.rows_in), words.number(counts.rows_duplicate)
    tiles = [
        ("safety calls", groups[SAFETY], "to pass on; in no other count"),
        (SUSPECT, groups[SUSPECT], "homes whose data make a CT fault likely"),
        (UNPROVEN, unproven, "homes whose data can't say either way"),
        (SOUND, groups[SOUND], "homes whose data show a right install"),
        ("homes silent", counts.homes_silent, f"of {homes} sent no rows in {days}"),
        ("rows used", counts.rows_used, f"of {rows}; {duplicate} duplicate"),
        ("rows rejected", counts.rows_rejected, "set aside with a reason"),
    ]
    return [(name, words.number(value), text) for name, value, text in tiles]

"""What the first page says: what to do today, the ranked list, and what the numbers rest on."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.core.alarm import ALARM, NOTE
from pipeline.core.setting_sections import ReportSettings
from pipeline.report import words
from pipeline.report.home_page import since_words, suspicion
from pipeline.report.names import page_name
from pipeline.report.record_first import fault_shares, record_first
from pipeline.report.report_input import ReportInput
from pipeline.report.visits_page import visits_context

# The list's columns as the reader's own CSV of it gets them, in this order.
CSV_COLUMNS = (
    "rank", "site_id", "area", "likelihood", "fault_likelihood", "verdict", "suspected_fault", "leg", "since",
    "evidence", "fix_by", "bring", "minutes_on_site", "kwh_per_day_wrong", "priority", "nights_listed", "standing",
    "also_possible", "desk_change", "desk_proof", "crew_id",
)  # fmt: skip
VERDICTS = ("suspect", "unproven", "sound")


def index_context(night: ReportInput, own: ReportSettings, with_page: frozenset[str]) -> dict[str, Any]:
    """Return the template values of the first page; `with_page` are the homes that have a page to link to."""
    listed = night.revisit_list.sort("rank")
    shown = listed.head(own.index_rows)
    shares = fault_shares(night.site_scores, shown["site_id"].to_list())
    rows = [
        _row(row | {"fault_likelihood": shares[row["site_id"]].get(row["suspected_fault"])}, night, with_page)
        for row in shown.iter_rows(named=True)
    ]
    visits = [row for row in rows if row["fix_by"] == "visit"]
    office = [row for row in rows if row["fix_by"] == "office"]
    return {
        "visits": visits,
        "office": office,
        "alarms": _said(night, ALARM),
        "notes": _said(night, NOTE),
        "first_visits": visits[: own.first_rows],
        "safety": _safety(night, with_page),
        "choices": _choices(rows),
        "csv_columns": CSV_COLUMNS,
        "tiles": _tiles(night),
        "rejects": night.rejects.sort(["count", "reason"], descending=[True, False]).to_dicts(),
        "listed": listed.height,
        "left_off": max(0, listed.height - own.index_rows),
        "trucks": own.trucks,
        "visits_per_truck": own.visits_per_truck,
        **record_first(night, with_page),
        **visits_context(night, with_page),
    }


def _said(night: ReportInput, severity: str) -> list[dict[str, Any]]:
    return night.alarm.filter(pl.col("severity") == severity).to_dicts()


def _row(row: dict[str, Any], night: ReportInput, with_page: frozenset[str]) -> dict[str, Any]:
    return row | {
        "fault_name": words.fault(row["suspected_fault"], night.faults),
        "leg_name": words.leg(row["leg"]),
        "suspicion": suspicion(row, night),
        "since_words": since_words(row),
        "page": f"home/{page_name(row['site_id'])}" if row["site_id"] in with_page else None,
        "csv": {name: _csv_text(row[name]) for name in CSV_COLUMNS},
    }


def _csv_text(value: object) -> str:
    return "" if value is None else f"{value:.6g}" if isinstance(value, float) else str(value)


def _safety(night: ReportInput, with_page: frozenset[str]) -> list[dict[str, Any]]:
    calls = night.site_scores.filter(pl.col("is_neutral_suspect").fill_null(False)).sort("site_id")
    return [
        {
            "site_id": site_id,
            "area": area,
            "page": f"home/{page_name(site_id)}" if site_id in with_page else None,
        }
        for site_id, area in calls.select("site_id", "area").iter_rows()
    ]


def _choices(rows: list[dict[str, Any]]) -> dict[str, list[tuple[str, str]]]:
    """Return the choices of each filter as (value, words), only those that occur, in reading order."""
    faults = {row["suspected_fault"] or "": row["fault_name"] for row in rows}
    areas = {row["area"] or "": row["area"] or "no area" for row in rows}
    verdicts = {row["verdict"] for row in rows}
    return {
        "area": sorted(areas.items(), key=lambda pair: pair[1]),
        "suspected_fault": sorted(faults.items(), key=lambda pair: pair[1]),
        "verdict": [(verdict, verdict) for verdict in VERDICTS if verdict in verdicts],
        "fix_by": [(way, way) for way in ("visit", "office") if any(row["fix_by"] == way for row in rows)],
    }


def _tiles(night: ReportInput) -> list[dict[str, str]]:
    found = dict(night.site_scores.group_by("verdict").len().iter_rows())
    counts = night.counts
    tiles = [
        {"name": "suspect", "value": words.number(found.get("suspect", 0)), "text": "homes that look faulty"},
        {
            "name": "unproven",
            "value": words.number(found.get("unproven", 0)),
            "text": "homes the data can't settle yet",
        },
        {
            "name": "sound",
            "value": words.number(found.get("sound", 0)),
            "text": "homes with nothing against them",
        },
        {
            "name": "homes silent",
            "value": words.number(counts.homes_silent),
            "text": f"of {words.number(counts.homes)} sent no rows in {words.count(night.window_days, 'day')}",
        },
        {
            "name": "rows used",
            "value": words.number(counts.rows_used),
            "text": f"of {words.number(counts.rows_in)}; {words.number(counts.rows_duplicate)} duplicate",
        },
        {
            "name": "rows rejected",
            "value": words.number(counts.rows_rejected),
            "text": "kept aside with a reason",
        },
    ]
    return tiles

"""What the pages say of visits: what the data since prove, and records that the data contradict."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import polars as pl

from pipeline.report import words
from pipeline.report.names import page_name
from pipeline.report.report_input import ReportInput
from pipeline.worklist.fix_verification import PROVED
from pipeline.worklist.home_status_text import BEYOND_END, STILL_WRONG, WATCHED
from pipeline.worklist.last_visit import FIXED

PROVED_DAYS = 30  # a proof stays on the page for so long


def visits_context(night: ReportInput, with_page: frozenset[str]) -> dict[str, Any]:
    """Return `after_visits` (homes said to be fixed: the open ones, and those settled lately) and `doubts`."""
    return {"after_visits": _after(night, with_page), "doubts": doubts(night, with_page)}


def doubts(night: ReportInput, with_page: frozenset[str], root: str = "") -> list[dict[str, Any]]:
    """Return the visits that the data contradict, newest first; `root` leads to the folder of the pages."""
    newest = night.visit_doubt.sort("visited_on", "visit_id", descending=[True, False])
    return [
        row
        | {
            "found_words": words.fault(row["found"], night.faults),
            "fixed_words": {True: "fixed", False: "not fixed"}.get(row["fixed"], ""),
            "page": _page(row["site_id"], with_page, root),
        }
        for row in newest.iter_rows(named=True)
    ]


def _after(night: ReportInput, with_page: frozenset[str]) -> list[dict[str, Any]]:
    lately = night.as_of - timedelta(days=PROVED_DAYS)
    standing = pl.col("standing")
    is_open = (pl.col("outcome") == FIXED) & standing.is_in([WATCHED, STILL_WRONG, BEYOND_END])
    is_settled = (pl.col("proof") == PROVED) & (pl.col("proved_on") >= lately)
    order = standing.replace_strict({STILL_WRONG: 0, WATCHED: 1}, default=2, return_dtype=pl.Int8)
    shown = night.standing.filter((is_open | is_settled).fill_null(False)).sort(
        order, "last_visit_on", "site_id", descending=[False, True, False]
    )
    return [
        row
        | {
            "found_words": words.fault(row["found"], night.faults),
            "page": _page(row["site_id"], with_page, ""),
        }
        for row in shown.iter_rows(named=True)
    ]


def home_events(night: ReportInput, site_id: str) -> list[dict[str, Any]]:
    """Return the home's story, oldest first."""
    own = night.home_story.filter(pl.col("site_id") == site_id)
    return own.sort("happened_on", "told_on", "what").to_dicts()


def _page(site_id: str, with_page: frozenset[str], root: str) -> str | None:
    return f"{root}home/{page_name(site_id)}" if site_id in with_page else None

"""Rows on visits for the pages: what the data since say of a fix, and records that the data contradict."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import polars as pl

from pipeline.report.report_input import ReportInput
from pipeline.worklist.fix_verification import PROVED
from pipeline.worklist.home_status_text import BEYOND_END, STILL_WRONG, WATCHED
from pipeline.worklist.last_visit import FIXED

VERIFIED_DAYS = 30  # a verified fix stays on the page for so long


def doubt_rows(night: ReportInput) -> list[dict[str, Any]]:
    """Return the visits that the data contradict, newest first."""
    return night.visit_doubt.sort("visited_on", "visit_id", descending=[True, False]).to_dicts()


def after_visit_rows(night: ReportInput) -> list[dict[str, Any]]:
    """Return the homes said to be fixed: the open ones, and those settled lately."""
    standing = pl.col("standing")
    is_open = (pl.col("outcome") == FIXED) & standing.is_in([WATCHED, STILL_WRONG, BEYOND_END])
    is_recent = pl.col("proved_on") >= night.as_of - timedelta(days=VERIFIED_DAYS)
    is_settled = (pl.col("proof") == PROVED) & is_recent
    order = standing.replace_strict({STILL_WRONG: 0, WATCHED: 1}, default=2, return_dtype=pl.Int8)
    homes = night.standing.filter((is_open | is_settled).fill_null(False))
    return homes.sort(order, "last_visit_on", "site_id", descending=[False, True, False]).to_dicts()

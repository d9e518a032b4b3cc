"""Homes whose record should be looked at first: a number no right install shows, and a cause that is no CT fault."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.report import words
from pipeline.report.names import page_name
from pipeline.report.report_input import ReportInput
from pipeline.scoring.innocent import CAUSES

MOST_ROWS = 25


def record_first(night: ReportInput, with_page: frozenset[str]) -> dict[str, Any]:
    """Return `record_rows` (at most MOST_ROWS), how many there are, and how many of them a truck is listed for."""
    found = night.site_scores.filter(
        (pl.col("verdict") == "unproven") & pl.col("contradiction").is_not_null()
    ).sort("record_likelihood", "likelihood", "site_id", descending=[True, True, False], nulls_last=True)
    visits = night.revisit_list.filter(pl.col("fix_by") == "visit")["site_id"].to_list()
    return {
        "record_rows": [_row(row, night, with_page) for row in found.head(MOST_ROWS).iter_rows(named=True)],
        "record_count": found.height,
        "record_trucks": found.filter(pl.col("site_id").is_in(visits)).height,
    }


def _row(row: dict[str, Any], night: ReportInput, with_page: frozenset[str]) -> dict[str, Any]:
    cause = CAUSES.get(row["record_cause"] or "")
    return {
        "site_id": row["site_id"],
        "page": f"home/{page_name(row['site_id'])}" if row["site_id"] in with_page else None,
        "area": row["area"],
        "contradiction": row["contradiction"],
        "cause": cause.words if cause else "no innocent cause is known",
        "cause_likelihood": row["record_likelihood"] if cause else None,
        "office": cause.office if cause else words.NOTHING,
        "fault_name": words.fault(row["likely_fault"], night.faults),
        "likelihoods": words.likelihoods(fault_share(row, row["likely_fault"]), row["likelihood"]),
    }


def fault_share(score: dict[str, Any], fault: str | None) -> float | None:
    """Return the likelihood of this very fault from a row of `site_scores`, None where it has none."""
    shares: dict[str, float | None] = score["fault_likelihoods"] or {}
    return shares.get(fault or "")


def fault_shares(scores: pl.DataFrame, homes: list[str]) -> dict[str, dict[str, Any]]:
    """Return home -> its row of likelihoods by fault (`fault_likelihoods`), for these homes."""
    some = scores.filter(pl.col("site_id").is_in(homes)).select("site_id", "fault_likelihoods")
    return dict(some.iter_rows())

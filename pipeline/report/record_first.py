"""Homes whose record should be looked at first: a number no right install shows, and a cause that is no CT fault."""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.report import words
from pipeline.report.report_input import ReportInput
from pipeline.scoring.innocent import CAUSES

MOST_ROWS = 25


def record_first(night: ReportInput) -> dict[str, Any]:
    """Return `record_rows` (at most MOST_ROWS), how many there are, and how many of them a truck is listed for."""
    homes = night.site_scores.filter(
        (pl.col("verdict") == "unproven") & pl.col("contradiction").is_not_null()
    ).sort("record_likelihood", "likelihood", "site_id", descending=[True, True, False], nulls_last=True)
    visits = night.revisit_list.filter(pl.col("fix_by") == "visit")["site_id"].to_list()
    rows = []
    for row in homes.head(MOST_ROWS).iter_rows(named=True):
        cause, fault = CAUSES.get(row["record_cause"] or ""), row["likely_fault"]
        rows.append(
            row
            | {
                "cause": cause.words if cause else "no innocent cause is known",
                "cause_likelihood": row["record_likelihood"] if cause else None,
                "office": cause.office if cause else words.NOTHING,
                "likelihoods": words.likelihoods(fault_share(row, fault), row["likelihood"]),
            }
        )
    return {
        "record_rows": rows,
        "record_count": homes.height,
        "record_trucks": homes.filter(pl.col("site_id").is_in(visits)).height,
    }


def fault_share(score: dict[str, Any], fault: str | None) -> float | None:
    """Return the likelihood of this very fault from a row of `site_scores`, None where it has none."""
    shares: dict[str, float | None] = score["fault_likelihoods"] or {}
    return shares.get(fault or "")

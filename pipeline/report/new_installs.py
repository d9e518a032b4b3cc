"""Homes commissioned lately: what their first nights say, and what still lacks, while the crew is near."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import polars as pl

from pipeline.core.contract import SAFETY, UNPROVEN
from pipeline.core.glossary import UNPROVEN_NEEDS
from pipeline.core.services import LINES
from pipeline.report import words
from pipeline.report.home_groups import home_group
from pipeline.report.names import crew_anchor
from pipeline.report.record_first import fault_share
from pipeline.report.report_input import ReportInput

NEW_DAYS = 21
MOST_ROWS = 50
# Nights of data from which on something more is known: (nights, what).
STAGES = (
    (7, "enough nights for a verdict"),
    (3, "overnight baseload and signs settle; a verdict takes 7 nights"),
    (1, "only what shows at once: dead leads, signs against the sun"),
    (0, "nothing yet"),
)


def new_installs(night: ReportInput) -> dict[str, Any]:
    """Return `new_rows` (newest first, MOST_ROWS at most), their number, the homes of each stage, and sunless homes."""
    recent = night.sites.filter(
        pl.col("commissioned_on") > night.as_of - timedelta(days=NEW_DAYS),
        pl.col("commissioned_on") <= night.as_of,
    ).select("site_id", "commissioned_on")
    slopes = [f"slope_{line}" for line in LINES if f"slope_{line}" in night.site_scores.columns]
    homes = (
        night.site_scores.join(recent, on="site_id")
        .join(night.standing.select("site_id", "standing", "is_listed"), on="site_id", how="left")
        .with_columns(
            group=home_group(),
            nights_so_far=pl.col("nights").fill_null(0),
            lacks_sun=pl.all_horizontal(pl.col(name).is_null() for name in slopes),
        )
        .sort("commissioned_on", "site_id", descending=[True, False])
    )
    stages, most = [], None
    for least, text in STAGES:
        is_in = pl.col("nights_so_far") >= least
        size = homes.filter(is_in if most is None else is_in & (pl.col("nights_so_far") < most)).height
        span = f"{least} nights or more" if most is None else _span(least, most - 1)
        stages.append({"nights": span, "homes": size, "text": text})
        most = least
    return {
        "new_rows": [_row(row) for row in homes.head(MOST_ROWS).iter_rows(named=True)],
        "new_count": homes.height,
        "new_stages": stages,
        "new_sunless": homes.filter("lacks_sun").height,
        "new_days": NEW_DAYS,
    }


def _span(first: int, last: int) -> str:
    return words.count(last, "night") if first == last else f"{first} to {last} nights"


def _row(row: dict[str, Any]) -> dict[str, Any]:
    fault = row["suspected_fault"] or row["likely_fault"]
    lacks = []
    if row["group"].startswith(UNPROVEN):
        lacks.append(UNPROVEN_NEEDS[row["unproven_need"]][0])
    if row["lacks_sun"] and "a sunny day" not in lacks:
        lacks.append("a sunny day")
    return row | {
        "anchor": crew_anchor(row["crew_id"]) if row["crew_id"] else None,
        "word": "safety call" if row["group"] == SAFETY else row["verdict"],
        "fault": fault,
        "likelihoods": words.likelihoods(fault_share(row, fault), row["likelihood"]),
        "lacks": " and ".join(lacks),
    }

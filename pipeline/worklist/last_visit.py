"""The last visit to each home: its outcome, and what was worked on."""

from __future__ import annotations

from datetime import date

import polars as pl

from pipeline.core.contract import FAULTS, OTHER, SOUND

FIXED, UNFIXED, SAID_SOUND, SAID_OTHER = "fixed", "open", "sound", "other"


def last_visits(visits: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """Return each visited home's last visit up to `as_of`.

    Columns site_id, last_visit_on, found, found_leg, and `outcome`: "sound" (found sound), "fixed" (said to be put
    right, whatever was found), "other" (another cause found and left) or "open" (a fault found and left).
    """
    outcome = (
        pl.when(pl.col("found") == SOUND).then(pl.lit(SAID_SOUND))
        .when(pl.col("fixed").fill_null(False)).then(pl.lit(FIXED))
        .when(pl.col("found") == OTHER).then(pl.lit(SAID_OTHER))
        .otherwise(pl.lit(UNFIXED))
    )  # fmt: skip
    return (
        visits.filter(pl.col("visited_on") <= as_of)
        .sort("visited_on", "visit_id")
        .unique("site_id", keep="last", maintain_order=True)
        .select(
            "site_id", "found", last_visit_on="visited_on", found_leg=pl.col("leg").cast(pl.String), outcome=outcome
        )
    )  # fmt: skip


def worked_on(last: pl.DataFrame, before: pl.DataFrame | None, scores: pl.DataFrame) -> pl.DataFrame:
    """Return the homes whose last visit says they were put right: site_id, visited_on, fault, leg.

    `last` is `last_visits`, `before` the standings of an earlier night. The fault is what was found; where the visit
    names none, what was suspected the night before, else what the data say now.
    """
    suspected = pl.DataFrame(schema={"site_id": pl.String, "fault": pl.String}) if before is None else before
    named = pl.when(pl.col("found").is_in(FAULTS)).then("found")
    return (
        last.filter(pl.col("outcome") == FIXED)
        .join(scores.select("site_id", "likely_fault"), on="site_id")
        .join(suspected.select("site_id", "fault"), on="site_id", how="left")
        .select(
            "site_id", visited_on="last_visit_on", fault=pl.coalesce(named, "fault", "likely_fault"), leg="found_leg"
        )
    )  # fmt: skip

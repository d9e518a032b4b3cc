"""Visits whose record the data since contradict, for the operations manager and the quality lead."""

from __future__ import annotations

import polars as pl

from pipeline.core.contract import SOUND
from pipeline.worklist.fix_verification import DISPROVED
from pipeline.worklist.last_visit import FIXED, SAID_OTHER, SAID_SOUND, UNFIXED
from pipeline.worklist.suspected_text import suspected_column

SCHEMA = pl.Schema(
    {
        "visit_id": pl.String, "site_id": pl.String, "visited_on": pl.Date, "crew_id": pl.String,
        "found": pl.String, "leg": pl.String, "fixed": pl.Boolean, "doubt": pl.String,
    }
)  # fmt: skip


def visit_doubts(visits: pl.DataFrame, standing: pl.DataFrame, scores: pl.DataFrame) -> pl.DataFrame:
    """Return the last visits whose record and the data since say opposite things (SCHEMA), sorted by day and id.

    Three ways: found sound (or another cause), yet the data since make the same fault a suspect; said to be fixed,
    yet shown not to be; left unfixed, yet the data since look right.
    """
    last = standing.drop_nulls("outcome").select(
        "site_id", "outcome", "is_held", "fault", "proof", "proof_told", visited_on="last_visit_on"
    )
    suspected = suspected_column(
        [name for name in scores["fault_likelihoods"].struct.fields if name != SOUND]
    )
    says_not = pl.col("outcome").is_in([SAID_SOUND, SAID_OTHER])
    doubt = (
        pl.when(says_not & pl.col("is_held") & (pl.col("verdict") == "suspect"))
        .then(pl.format("the data since still show a fault, {}: {}", suspected, "evidence"))
        .when((pl.col("outcome") == FIXED) & (pl.col("proof") == DISPROVED))
        .then(pl.format("recorded as fixed, but the data since show that it is not: {}", "proof_told"))
        .when((pl.col("outcome") == UNFIXED) & (pl.col("verdict") == SOUND))
        .then(pl.format("recorded as not fixed, but the data since look right: {}", "evidence"))
    )
    columns = ("site_id", "verdict", "likelihood", "fault_likelihoods", "from_on", "evidence")
    return (
        visits.join(last, on=["site_id", "visited_on"])
        .sort("visit_id").unique("site_id", keep="last", maintain_order=True)
        .join(scores.select(columns), on="site_id")
        .filter(pl.col("from_on") > pl.col("visited_on"))
        .with_columns(doubt=doubt).drop_nulls("doubt")
        .select(SCHEMA.names()).cast(SCHEMA).sort("visited_on", "visit_id")
    )  # fmt: skip

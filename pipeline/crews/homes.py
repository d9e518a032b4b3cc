"""One row an install: what a visit found, and how likely a fault at commissioning was before any visit.

Only faults present at commissioning are the crew's: an onset later than the first days makes it a later fault. After a
visit a home's likelihood speaks of the home as it is since, so for a visited home the one that was published before
the visit counts (table promise; the home need not have been on a list); where none is on record the finding counts all
the same, but says nothing of how good the likelihoods are.
"""

from __future__ import annotations

import polars as pl

from pipeline.core.contract import FAULTS, SOUND
from pipeline.core.setting_sections import CrewSettings

SCHEMA = pl.Schema(
    {
        "site_id": pl.String, "crew_id": pl.String, "area": pl.String, "commissioned_on": pl.Date, "month": pl.String,
        "ct_location": pl.String, "cts_per_leg": pl.Int64, "lead_extended": pl.Boolean, "service": pl.String,
        "is_heard": pl.Boolean, "is_judged": pl.Boolean, "is_visited": pl.Boolean, "has_promise": pl.Boolean,
        "visited_on": pl.Date, "found": pl.String, "leg": pl.String, "is_wrong": pl.Boolean,
        "likelihood": pl.Float64, "later": pl.Float64,
    }
)  # fmt: skip


def install_homes(
    scores: pl.DataFrame,
    sites: pl.DataFrame,
    visits: pl.DataFrame,
    *,
    promise: pl.DataFrame,
    settings: CrewSettings,
) -> pl.DataFrame:
    """Return table crew_home (SCHEMA), one row a home of the register, sorted.

    `is_heard` the home has data, or a visit with a finding; `is_judged` it has a verdict other than unproven, or such a
    visit; `is_visited`, `visited_on`, `found`, `leg` of the first visit that found a fault or the home sound;
    `is_wrong` a visit found a fault from commissioning, null where none has a finding; `likelihood` of such a fault
    before any visit, null where it is not known; `later` 1 or how likely: a fault that began after the first days.

    Parameters
    ----------
    scores
        `site_scores`: site_id, likelihood, verdict, onset_on, nights.
    sites
        The register of homes.
    visits
        The register, no visit later than the night.
    promise
        visit_id, scored_likelihood, scored_since (null: from the first day); may have no rows.
    settings
        Section [crews].
    """
    promised = promise.drop_nulls("scored_likelihood").select(
        "visit_id", promised="scored_likelihood", since="scored_since", has_promise=pl.lit(True)
    )
    findings = first_findings(visits).join(promised, on="visit_id", how="left").drop("visit_id")
    joined = (
        sites.select("site_id", "crew_id", "area", "commissioned_on", *_FEATURES)
        .join(
            scores.select("site_id", "likelihood", "verdict", "onset_on", "nights"), on="site_id", how="left"
        )
        .join(findings, on="site_id", how="left")
    )
    is_visited = pl.col("found").is_not_null()
    was_wrong = is_visited & (pl.col("found") != SOUND)
    first_days = pl.col("commissioned_on") + pl.duration(days=settings.first_days)
    # an onset after the visit is about something else than what the visit found
    onset = (
        pl.when(~is_visited).then("onset_on")
        .when("has_promise").then("since")
        .when((pl.col("onset_on") <= pl.col("visited_on")).fill_null(False)).then("onset_on")
    )  # fmt: skip
    began_later = (onset.is_not_null() & ~(onset <= first_days)).fill_null(True)
    before = pl.when(is_visited).then("promised").otherwise("likelihood")
    unproven = (pl.col("verdict") == "unproven").fill_null(True)
    has_data = (pl.col("nights") > 0).fill_null(False)
    still = pl.when(pl.col("verdict") == "suspect").then("likelihood").otherwise(0.0)
    later = (
        pl.when(was_wrong & began_later).then(1.0)
        .when(is_visited & ~was_wrong).then(pl.when("ever_wrong").then(1.0).otherwise(still))
        .when(~is_visited & began_later & has_data).then("likelihood")
        .otherwise(0.0)
    )  # fmt: skip
    homes = joined.with_columns(
        month=pl.col("commissioned_on").dt.to_string("%Y-%m"),
        is_heard=is_visited | has_data,
        is_judged=is_visited | ~unproven,
        is_visited=is_visited,
        has_promise=pl.col("has_promise").fill_null(False),
        is_wrong=pl.when(is_visited).then(was_wrong & ~began_later),
        likelihood=pl.when(is_visited | has_data).then(
            pl.when(began_later).then(before * 0.0).otherwise(before)
        ),
        later=later.fill_null(0.0),
    )
    return homes.select(SCHEMA.names()).cast(SCHEMA).sort("site_id")


_FEATURES = ("ct_location", "cts_per_leg", "lead_extended", "service")


def first_findings(visits: pl.DataFrame) -> pl.DataFrame:
    """Return each home's first visit that found a fault or the home sound.

    Columns `site_id`, `visit_id`, `visited_on`, `found`, `leg`, `ever_wrong` (a fault on any visit). Another cause
    ("other") says nothing about CTs.
    """
    findings = visits.filter(pl.col("found").is_in([*FAULTS, SOUND])).sort("visited_on", "visit_id")
    return findings.group_by("site_id", maintain_order=True).agg(
        pl.col("visit_id", "visited_on", "found", "leg").first(),
        ever_wrong=(pl.col("found") != SOUND).any(),
    )

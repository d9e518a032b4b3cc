"""What happened to each home, line by line: every change of its standing, every visit, every plan, each with its day.

A table that only grows: a night adds what it is the first to know to what the night before knew.
"""

from __future__ import annotations

from datetime import date

import polars as pl

from pipeline.worklist import home_status_text as words

STANDING, VISIT, PLAN = "standing", "visit", "plan"
# happened_on: the day of it; told_on: the night that first knew it; what: standing, visit or plan; key: what makes
# it one event; told: the line.
SCHEMA = pl.Schema(
    {
        "site_id": pl.String, "happened_on": pl.Date, "told_on": pl.Date, "what": pl.String, "key": pl.String,
        "told": pl.String,
    }
)  # fmt: skip


def next_story(
    previous: pl.DataFrame | None,
    standing: pl.DataFrame,
    visits: pl.DataFrame,
    plans: pl.DataFrame,
    as_of: date,
) -> pl.DataFrame:
    """Return the stories (SCHEMA) after the night `as_of`, sorted by home, day and kind.

    Parameters
    ----------
    previous
        The stories of an earlier night; None on the first.
    standing
        Tonight's standings: a home's is told when it began tonight, but for "not listed" of a home without a story.
    visits
        The register: each visit up to `as_of` is told once; one whose record says something else later is told again.
    plans
        `planned_visits.PLANS`: a home's plan is told when it is made or moved.
    """
    known = pl.DataFrame(schema=SCHEMA) if previous is None else previous.select(SCHEMA.names())
    told = pl.concat([_standings(standing, known, as_of), _visits(visits, as_of), _plans(plans, as_of)])
    fresh = told.join(known, on=["site_id", "what", "key"], how="anti")
    return pl.concat([known, fresh]).sort("site_id", "happened_on", "told_on", "what", "key")


def _event(what: str, key: pl.Expr, happened_on: pl.Expr, told: pl.Expr, as_of: date) -> list[pl.Expr]:
    return [
        pl.col("site_id"),
        happened_on.alias("happened_on"),
        pl.lit(as_of).alias("told_on"),
        pl.lit(what).alias("what"),
        key.alias("key"),
        told.alias("told"),
    ]


def _standings(standing: pl.DataFrame, known: pl.DataFrame, as_of: date) -> pl.DataFrame:
    changed = standing.filter(pl.col("standing_since") == as_of)
    has_story = pl.col("site_id").is_in(known["site_id"].unique().implode())
    began = changed.filter((pl.col("standing") != words.NOT_LISTED) | has_story)
    told = pl.format("{}: {}", "standing", "cause")
    key = pl.format("{} {}", "standing_since", "standing")
    return began.select(_event(STANDING, key, pl.col("standing_since"), told, as_of))


def _visits(visits: pl.DataFrame, as_of: date) -> pl.DataFrame:
    found = pl.col("found").str.replace_all("_", " ", literal=True).fill_null("nothing written down")
    leg = pl.when(pl.col("leg").is_not_null()).then(pl.format(" ({})", "leg")).otherwise(pl.lit(""))
    fixed = (
        pl.when(pl.col("found") == "sound").then(pl.lit(""))
        .when(pl.col("fixed").fill_null(False)).then(pl.lit(", said to be put right"))
        .otherwise(pl.lit(", left as it was"))
    )  # fmt: skip
    crew = pl.when(pl.col("crew_id").is_not_null()).then(pl.format(" by {}", "crew_id")).otherwise(pl.lit(""))
    note = pl.when(pl.col("note").is_not_null()).then(pl.format('; note: "{}"', "note")).otherwise(pl.lit(""))
    told = pl.format("visit {}{}: found {}{}{}{}", "visit_id", crew, found, leg, fixed, note)
    key = pl.format("{} {} {} {} {}", "visit_id", "visited_on", "found", leg, fixed)
    done = visits.filter(pl.col("visited_on") <= as_of)
    return done.select(_event(VISIT, key, pl.col("visited_on"), told, as_of))


def _plans(plans: pl.DataFrame, as_of: date) -> pl.DataFrame:
    key = pl.format("{} {}", "planned_made_on", "planned_on")
    told = pl.format("planned for {}, truck {}", "planned_on", "truck_id")
    return plans.select(_event(PLAN, key, pl.col("planned_made_on"), told, as_of))

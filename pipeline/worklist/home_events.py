"""Events of each home: every change of its standing, every visit, plan and safety call, what of it is taken back.

A table that only grows: a night adds the events it is the first to know. A visit's note is not in it: it may name
people, and this table is shared.
"""

from __future__ import annotations

from datetime import date

import polars as pl

from pipeline.core.contract import SOUND
from pipeline.core.glossary import LEGS
from pipeline.faults.fault_text import fault_title_column
from pipeline.worklist import home_status_text as words

STANDING, VISIT, PLAN, SAFETY = "standing", "visit", "plan", "safety call"
# told_on: the night that first knew it; what: one of these; key: makes it one event; told: the line.
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
    *,
    plans: pl.DataFrame,
    as_of: date,
    calls: pl.DataFrame | None = None,
    gone: pl.DataFrame | None = None,
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
    calls
        Tonight's table safety_call, None for none: a call is told when its status changes.
    gone
        `taken_back.taken_back`; None for nothing.
    as_of
        The night.
    """
    known = (
        pl.DataFrame(schema=SCHEMA) if previous is None else _without_notes(previous).select(SCHEMA.names())
    )
    events = [
        _standings(standing, known, as_of),
        _visits(visits.filter(pl.col("visited_on") <= as_of)),
        plans.select(
            "site_id", happened_on="planned_made_on", what=pl.lit(PLAN),
            key=pl.format("{} {}", "planned_made_on", "planned_on"),
            told=pl.format("visit planned for {}, truck {}", "planned_on", "truck_id"),
        ),
    ]  # fmt: skip
    if calls is not None:
        events.append(_safety_calls(calls, known, as_of))
    if gone is not None:
        events.append(gone)
    tonight = pl.concat(events).with_columns(told_on=pl.lit(as_of)).select(SCHEMA.names())
    fresh = tonight.join(known, on=["site_id", "what", "key"], how="anti")
    return pl.concat([known, fresh]).sort("site_id", "happened_on", "told_on", "what", "key")


def _without_notes(story: pl.DataFrame) -> pl.DataFrame:
    """Return the events without the notes that earlier versions wrote behind a visit."""
    bare = pl.col("told").str.replace(r'(?s); note: ".*"$', "")
    return story.with_columns(told=pl.when(pl.col("what") == VISIT).then(bare).otherwise("told"))


def _standings(standing: pl.DataFrame, known: pl.DataFrame, as_of: date) -> pl.DataFrame:
    has_story = pl.col("site_id").is_in(known["site_id"].unique().implode())
    is_event = (pl.col("standing") != words.NOT_LISTED) | has_story
    return standing.filter(pl.col("standing_since") == as_of, is_event).select(
        "site_id", happened_on="standing_since", what=pl.lit(STANDING),
        key=pl.format("{} {}", "standing_since", "standing"), told=pl.format("{}: {}", "standing", "cause"),
    )  # fmt: skip


def _safety_calls(calls: pl.DataFrame, known: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """Return one event a call whose status is not the one told last; a status that comes back is told again."""
    told = (
        known.filter(pl.col("what") == SAFETY).sort("told_on").group_by("site_id").agg(pl.col("key").last())
    )
    last = told.select("site_id", status=pl.col("key").str.splitn(" ", 2).struct[1])
    return calls.join(last, on=["site_id", "status"], how="anti").select(
        "site_id", happened_on=pl.lit(as_of), what=pl.lit(SAFETY), key=pl.format("{} {}", pl.lit(as_of), "status"),
        told=pl.format("safety call, {}: {}", "status", pl.coalesce(_measured(), "told")),
    )  # fmt: skip


def _measured() -> pl.Expr:
    is_first = pl.col("is_open") & (pl.col("since") == pl.col("as_of"))
    return pl.when(is_first).then(pl.format("{}; {}", "told", "measured"))


def _visits(visits: pl.DataFrame) -> pl.DataFrame:
    found = fault_title_column(pl.col("found")).fill_null("nothing recorded")
    leg_name = pl.col("leg").cast(pl.String).replace(LEGS)
    leg = pl.when(pl.col("leg").is_not_null()).then(pl.format(" ({})", leg_name)).otherwise(pl.lit(""))
    fixed = (
        pl.when(pl.col("found") == SOUND).then(pl.lit(""))
        .when(pl.col("fixed").fill_null(False)).then(pl.lit(", recorded as fixed"))
        .otherwise(pl.lit(", not fixed"))
    )  # fmt: skip
    crew = pl.when(pl.col("crew_id").is_not_null()).then(pl.format(" by {}", "crew_id")).otherwise(pl.lit(""))
    return visits.select(
        "site_id", happened_on="visited_on", what=pl.lit(VISIT), key=_visit_key(),
        told=pl.format("visit {}{}: {}{}{}", "visit_id", crew, found, leg, fixed),
    )  # fmt: skip


def _visit_key() -> pl.Expr:
    """Return what makes a visit and its record one event: its words never change, or old visits would be told again."""
    found = pl.col("found").str.replace_all("_", " ", literal=True).fill_null("nothing written down")
    leg = pl.when(pl.col("leg").is_not_null()).then(pl.format(" ({})", "leg")).otherwise(pl.lit(""))
    fixed = (
        pl.when(pl.col("found") == SOUND).then(pl.lit(""))
        .when(pl.col("fixed").fill_null(False)).then(pl.lit(", said to be put right"))
        .otherwise(pl.lit(", left as it was"))
    )  # fmt: skip
    return pl.format("{} {} {} {} {}", "visit_id", "visited_on", found, leg, fixed)

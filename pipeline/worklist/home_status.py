"""A home's standing with the list from one night to the next: which, since when, and why.

A pure function of the standings of an earlier night, tonight's scores, the register of visits, the verification of
fixes, and the plans of days; a night that runs again gives the same standings again.
"""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl

from pipeline.core.contract import SOUND
from pipeline.core.settings import Settings
from pipeline.worklist import home_status_text as words
from pipeline.worklist.fix_verification import PROVED
from pipeline.worklist.home_status_text import HELD, LISTED, SETTLED, Reason, cause
from pipeline.worklist.last_visit import FIXED, SAID_OTHER, SAID_SOUND, UNFIXED, last_visits
from pipeline.worklist.listing import with_reasons

# reason: why it is or isn't listed (Reason); is_held: kept off the list though the data look wrong; fault: tonight's
# likeliest while wanted on the list; held_fault: what was suspected when a visit found the home sound or another
# cause; first_listed_on, nights_listed_all: over all times it was listed; proof...: the verification of the last fix,
# kept once it is proved.
SCHEMA = pl.Schema(
    {
        "site_id": pl.String, "as_of": pl.Date, "standing": pl.String, "standing_since": pl.Date,
        "listed_since": pl.Date, "nights_listed": pl.Int64, "last_visit_on": pl.Date, "cause": pl.String,
        "reason": pl.String, "is_listed": pl.Boolean, "is_held": pl.Boolean, "fault": pl.String,
        "held_fault": pl.String, "first_listed_on": pl.Date, "nights_listed_all": pl.Int64,
        "planned_on": pl.Date, "found": pl.String, "found_leg": pl.String, "outcome": pl.String,
        "proof": pl.String, "proof_told": pl.String, "proved_on": pl.Date, "nights_to_proof": pl.Int64,
    }
)  # fmt: skip


def next_standing(
    previous: pl.DataFrame | None,
    scores: pl.DataFrame,
    visits: pl.DataFrame,
    *,
    fixes: pl.DataFrame,
    plans: pl.DataFrame,
    as_of: date,
    settings: Settings,
) -> pl.DataFrame:
    """Return the standings (SCHEMA) after the night `as_of`, one row a home of `scores`, sorted.

    A suspect, an unproven home that is worth going to, one that a visit left unfixed and that isn't called sound since,
    and one whose fix the data show not to have worked are listed (`with_reasons`). A home found sound, or with another
    cause found, is held off the list while what is suspected is the same and the data didn't change; one said to be
    fixed is held while that is neither proved nor disproved, for [ranking].visit_days at most. `nights_listed` counts
    the nights from `listed_since` to `as_of`; a night without a run doesn't break it.

    Parameters
    ----------
    previous
        The standings of an earlier night, the newest there is; None on the first. Columns an older version didn't
        have count as unknown.
    scores
        `site_scores`: site_id, likelihood, verdict, likely_fault, fault_likelihoods, onset_on,
        from_on, nights; and of table worth: priority, break_even.
    visits
        The register; visits after `as_of` are not known yet.
    fixes
        `fix_verification.verify_fixes` of the homes said to be fixed.
    plans
        `planned_visits.PLANS`: the newest plan of each home that has one.
    as_of, settings
        The night; [ranking] and [visits] count.

    Raises
    ------
    ValueError
        `previous` is not of an earlier night.
    """
    before, is_same = (
        _before(previous, as_of),
        (pl.col("standing") == pl.col("standing_before")).fill_null(False),
    )
    faults = [name for name in scores["fault_likelihoods"].struct.fields if name != SOUND]
    homes = (
        scores.select(
            "site_id",
            "likelihood",
            "verdict",
            "onset_on",
            "from_on",
            "nights",
            "fault_likelihoods",
            "priority",
            "break_even",
            fault="likely_fault",
            line_count="line_count" if "line_count" in scores.columns else pl.lit(None, pl.Int64),
        )
        .join(last_visits(visits, as_of), on="site_id", how="left")
        .join(fixes, on="site_id", how="left")
        .join(plans.select("site_id", "planned_on"), on="site_id", how="left")
        .join(before, on="site_id", how="left")
        .with_columns(as_of=pl.lit(as_of))
        .with_columns(**_visit_facts(as_of, settings))
        .with_columns(held_fault=_held_fault())
    )
    listed_since = pl.when("is_listed_before").then("listed_since_before").otherwise("as_of")
    nights = (pl.col("as_of") - pl.col("listed_since")).dt.total_days() + 1
    stays_settled = is_same & pl.col("standing").is_in(SETTLED)
    return (
        with_reasons(homes, faults, settings.ranking)
        .with_columns(standing=_standing())
        .with_columns(
            standing_since=pl.when(is_same).then("standing_since_before").otherwise("as_of"),
            cause=pl.when(stays_settled)
            .then("cause_before")
            .otherwise(cause(faults, settings.ranking.max_rows, pl.col("line_count"))),
            listed_since=pl.when("is_listed").then(listed_since),
            fault=pl.when(pl.col("reason").is_in([*LISTED, *HELD, Reason.BEYOND_END])).then("fault"),
            **_verification(),
        )
        .with_columns(
            nights_listed=pl.when("is_listed").then(nights).otherwise(0),
            first_listed_on=pl.coalesce("first_listed_on_before", "listed_since"),
        )
        .with_columns(nights_listed_all=_nights_listed_all())
        .select(SCHEMA.names()).cast(SCHEMA).sort("site_id")
    )  # fmt: skip


def _before(previous: pl.DataFrame | None, as_of: date) -> pl.DataFrame:
    """Return the earlier standings, every column but site_id with "_before" to its name."""
    before = pl.DataFrame(schema=SCHEMA)
    if previous is not None:
        before = pl.concat([before, previous], how="diagonal_relaxed").select(SCHEMA.names())
    if not before.filter(pl.col("as_of") >= as_of).is_empty():
        raise ValueError(f"the previous standings are not of a night earlier than {as_of}")
    return before.drop("as_of").rename(lambda name: name if name == "site_id" else f"{name}_before")


def _visit_facts(as_of: date, settings: Settings) -> dict[str, pl.Expr]:
    """Return `outcome` (null: the last visit has no say any more), `has_data` since it, `is_first_told`, the plan.

    `is_too_soon`: tonight's data are of fewer than [visits].again_nights days, so they can't outweigh a visit.
    """
    visit, outcome = pl.col("last_visit_on"), pl.col("outcome")
    is_recent = visit >= as_of - timedelta(days=settings.ranking.visit_days)
    says_nothing_wrong = outcome.is_in([SAID_SOUND, SAID_OTHER]).fill_null(False)
    is_proved = ((outcome == FIXED) & (pl.col("proof") == PROVED)).fill_null(False)
    # The work of the visit can move the data on its day and the next.
    again = timedelta(days=settings.visits.again_nights - 1)
    has_lasted = pl.col("onset_on") <= as_of - again
    began_later = (has_lasted & (pl.col("onset_on") > visit + pl.duration(days=1))).fill_null(False)
    # The same suspicion at a home found sound is no news for a year; `with_reasons` lets another one pass.
    is_within_year = visit > as_of - timedelta(days=settings.visits.sound_days)
    is_news = began_later & ~(says_nothing_wrong & is_within_year)
    is_first_told = ~(pl.col("last_visit_on_before") == visit).fill_null(False)
    is_spent = ~is_first_told & pl.col("standing_before").is_in(SETTLED).fill_null(False)
    # Not by `nights`: where leads are exchanged with production no night is quiet enough to count.
    has_data = pl.col("from_on").is_not_null() & (pl.col("from_on") > visit).fill_null(True)
    counts = (is_recent | says_nothing_wrong | is_proved) & ~is_news & ~is_spent
    return {
        "outcome": pl.when(counts).then("outcome"),
        "has_data": has_data,
        "is_too_soon": (pl.col("from_on") > as_of - again).fill_null(True),
        "is_first_told": is_first_told,
        "planned_on": pl.when((pl.col("planned_on") > visit).fill_null(True)).then("planned_on"),
    }


def _held_fault() -> pl.Expr:
    """Return what was suspected when a visit found none of it; if that isn't known, tonight's fault."""
    suspected = pl.when(pl.col("standing_before").is_null()).then("fault").otherwise("fault_before")
    held = pl.when("is_first_told").then(suspected).otherwise("held_fault_before")
    return pl.when(pl.col("outcome").is_in([SAID_SOUND, SAID_OTHER])).then(held)


def _standing() -> pl.Expr:
    """Return the home's standing, by what the last visit left and what the data say."""
    outcome, before = pl.col("outcome"), pl.col("standing_before")
    is_sound = (pl.col("verdict") == SOUND) & (pl.col("has_data") | outcome.is_null())
    was_listed = pl.col("is_listed_before").fill_null(False)
    was_watched = was_listed | before.is_in([words.WATCHED, words.BEYOND_END])
    is_planned = (pl.col("planned_on") >= pl.col("as_of")).fill_null(False)
    listed = (
        pl.when(outcome == FIXED).then(pl.lit(words.STILL_WRONG))
        .when(is_planned).then(pl.lit(words.PLANNED))
        .when(outcome == UNFIXED).then(pl.lit(words.NOT_FIXED))
        .when("is_listed_before").then(pl.lit(words.WAITING))
        .otherwise(pl.lit(words.NEW))
    )  # fmt: skip
    is_proved = (pl.col("proof") == PROVED).fill_null(False)
    return (
        pl.when("is_listed").then(listed)
        .when(pl.col("reason") == Reason.BEYOND_END).then(pl.lit(words.BEYOND_END))
        .when(outcome == SAID_SOUND).then(pl.lit(words.FOUND_SOUND))
        .when(outcome == SAID_OTHER).then(pl.lit(words.OTHER_CAUSE))
        .when((outcome == FIXED) & is_proved).then(pl.lit(words.PROVED_RIGHT))
        .when((outcome == UNFIXED) & is_sound).then(pl.lit(words.CLEARED))
        .when(outcome.is_not_null()).then(pl.lit(words.WATCHED))
        .when(before.is_in(SETTLED)).then(before)
        .when(was_watched & is_sound).then(pl.lit(words.CLEARED))
        .when(was_watched).then(pl.lit(words.WATCHED))
        .otherwise(pl.lit(words.NOT_LISTED))
    )  # fmt: skip


def _verification() -> dict[str, pl.Expr]:
    """Return the proof columns: tonight's, or, once a fix is proved, those of the night it was."""
    is_settled = ~pl.col("is_first_told") & (pl.col("proof_before") == PROVED).fill_null(False)
    is_proved = (pl.col("proof") == PROVED) & (pl.col("outcome") == FIXED).fill_null(False)
    tonight = {
        "proof": pl.col("proof"),
        "proof_told": pl.col("proof_told"),
        "proved_on": pl.when(is_proved).then("as_of"),
        "nights_to_proof": pl.when(is_proved).then("nights_since"),
    }
    return {
        name: pl.when(is_settled).then(f"{name}_before").otherwise(value) for name, value in tonight.items()
    }


def _nights_listed_all() -> pl.Expr:
    """Return the nights of all times listed: those before, and what this time has grown by."""
    before = pl.coalesce("nights_listed_all_before", "nights_listed_before").fill_null(0)
    this_time = pl.when("is_listed_before").then("nights_listed_before").fill_null(0)
    return before + pl.when("is_listed").then(pl.col("nights_listed") - this_time).otherwise(0)

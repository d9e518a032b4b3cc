"""A home's memory from one night to the next: where it stands with the list, since when, and why.

A pure function of the standings of an earlier night, tonight's scores and the register of visits; a night
that runs again gives the same standings again.
"""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl

from pipeline.contract import SOUND
from pipeline.likely import fault_names, likely_faults
from pipeline.settings import Settings
from pipeline.standing_words import (
    CLEARED,
    FOUND_SOUND,
    NEW,
    NOT_FIXED,
    NOT_LISTED,
    STILL_WRONG,
    WAITING,
    WATCHED,
    cause,
)  # fmt: skip

# is_listed: on the list (unless that is too long); is_held: kept off it though the data look wrong; fault:
# tonight's likeliest while listed or held; held_fault: what was suspected when a visit found the home sound.
SCHEMA = pl.Schema(
    {
        "site_id": pl.String, "as_of": pl.Date, "standing": pl.String, "standing_since": pl.Date,
        "listed_since": pl.Date, "nights_listed": pl.Int64, "last_visit_on": pl.Date, "cause": pl.String,
        "is_listed": pl.Boolean, "is_held": pl.Boolean, "fault": pl.String, "held_fault": pl.String,
    }
)  # fmt: skip


def next_standing(
    previous: pl.DataFrame | None,
    scores: pl.DataFrame,
    visits: pl.DataFrame,
    as_of: date,
    settings: Settings,
) -> pl.DataFrame:
    """Return the standings (SCHEMA) after the night `as_of`, one row a home of `scores`, sorted.

    A suspect, an unproven home from [ranking].list_from on, and an unproven home that a visit left unfixed
    are listed. A visit's word counts for [ranking].visit_days, unless the data changed later or cleared the
    home since: a home found sound is held off the list while what is suspected is the same, and a home
    without data since a visit that fixed it or found it sound is held until there are some. `nights_listed`
    counts the nights from `listed_since` to `as_of`; a night without a run doesn't break it.

    Parameters
    ----------
    previous
        The standings of an earlier night, the newest there is; None on the first.
    scores
        `site_scores`: site_id, likelihood, verdict, suspected_fault, leg, fault_likelihoods, onset_on,
        from_on, nights.
    visits
        The register; visits after `as_of` are not known yet.

    Raises
    ------
    ValueError
        `previous` is not of an earlier night.
    """
    before = pl.DataFrame(schema=SCHEMA) if previous is None else previous.select(SCHEMA.names())
    if not before.filter(pl.col("as_of") >= as_of).is_empty():
        raise ValueError(f"the previous standings are not of a night earlier than {as_of}")
    before = before.drop("as_of").rename(lambda name: name if name == "site_id" else f"{name}_before")
    known = (
        scores.select(
            "site_id", "likelihood", "verdict", "onset_on", "from_on", "nights", "fault_likelihoods"
        )
        .join(likely_faults(scores), on="site_id")
        .join(_last_visits(visits, as_of), on="site_id", how="left")
        .join(before, on="site_id", how="left")
        .with_columns(pl.lit(as_of).alias("as_of"))
        .with_columns(_visit_facts(as_of, settings))
        .with_columns(_held_fault().alias("held_fault"))
    )
    placed = known.with_columns(_is_held(fault_names(scores), settings).alias("is_held")).with_columns(
        (_is_wanted(settings) & ~pl.col("is_held")).alias("is_listed")
    )
    named = placed.with_columns(_standing().alias("standing"))
    is_same = (pl.col("standing") == pl.col("standing_before")).fill_null(False)
    stays_cleared = is_same & (pl.col("standing") == CLEARED)
    return (
        named.with_columns(
            pl.when(is_same).then("standing_since_before").otherwise("as_of").alias("standing_since"),
            pl.when(stays_cleared).then("cause_before").otherwise(cause()).alias("cause"),
            pl.when("is_listed")
            .then(pl.when("is_listed_before").then("listed_since_before").otherwise("as_of"))
            .alias("listed_since"),
            pl.when(pl.col("is_listed") | pl.col("is_held")).then("fault").alias("fault"),
        )
        .with_columns(
            pl.when("is_listed")
            .then((pl.col("as_of") - pl.col("listed_since")).dt.total_days() + 1)
            .otherwise(0)
            .alias("nights_listed")
        )
        .select(pl.col(name).cast(kind) for name, kind in SCHEMA.items())
        .sort("site_id")
    )


def _last_visits(visits: pl.DataFrame, as_of: date) -> pl.DataFrame:
    """Return each home's last visit: `last_visit_on`, `outcome` "sound", "fixed" or "open"."""
    outcome = (
        pl.when(pl.col("found") == SOUND)
        .then(pl.lit("sound"))
        .when(pl.col("fixed").fill_null(False))
        .then(pl.lit("fixed"))
        .otherwise(pl.lit("open"))
    )
    return (
        visits.filter(pl.col("visited_on") <= as_of)
        .sort("visited_on", "visit_id")
        .group_by("site_id", maintain_order=True)
        .last()
        .select("site_id", pl.col("visited_on").alias("last_visit_on"), outcome.alias("outcome"))
    )


def _visit_facts(as_of: date, settings: Settings) -> list[pl.Expr]:
    """Return `outcome` (null: the last visit has no say any more), `has_data` since it, `is_first_told`."""
    visit, own = pl.col("last_visit_on"), settings.ranking
    is_recent = visit >= as_of - timedelta(days=own.visit_days)
    # The visit's own hands can move the data on its day and the next.
    began_later = (pl.col("onset_on") > visit + pl.duration(days=1)).fill_null(False)
    is_first_told = ~(pl.col("last_visit_on_before") == visit).fill_null(False)
    is_spent = ~is_first_told & (pl.col("standing_before") == CLEARED).fill_null(False)
    has_data = (pl.col("nights") > 0) & (pl.col("from_on") > visit).fill_null(True)
    return [
        pl.when(is_recent & ~began_later & ~is_spent).then("outcome").alias("outcome"),
        has_data.fill_null(False).alias("has_data"),
        is_first_told.alias("is_first_told"),
    ]


def _held_fault() -> pl.Expr:
    """Return what was suspected when a visit found the home sound; if nobody remembers, tonight's fault."""
    told_now = pl.when(pl.col("standing_before").is_null()).then("fault").otherwise("fault_before")
    return pl.when(pl.col("outcome") == "sound").then(
        pl.when("is_first_told").then(told_now).otherwise("held_fault_before")
    )


def _is_wanted(settings: Settings) -> pl.Expr:
    """Return whether the data, or a visit that left the home unfixed, ask for the list."""
    is_unproven = pl.col("verdict") == "unproven"
    return (
        (pl.col("verdict") == "suspect")
        | (is_unproven & (pl.col("likelihood") >= settings.ranking.list_from))
        | (is_unproven & (pl.col("outcome") == "open").fill_null(False))
    )


def _is_held(names: list[str], settings: Settings) -> pl.Expr:
    """Return whether a visit's word keeps the home off the list tonight.

    Faults that look alike trade places from night to night: the suspicion is another one only when the first
    has fallen below [ranking].also_from.
    """
    held = pl.col("held_fault")
    still = pl.any_horizontal(
        (held == name) & (pl.col("fault_likelihoods").struct.field(name) >= settings.ranking.also_from)
        for name in names
    )
    is_same_kind = (held == pl.col("fault")) | still
    no_data = pl.col("outcome").is_in(["sound", "fixed"]) & ~pl.col("has_data")
    found_sound = (pl.col("outcome") == "sound") & is_same_kind
    return _is_wanted(settings) & (no_data.fill_null(False) | found_sound.fill_null(False))


def _standing() -> pl.Expr:
    """Return the home's standing, by what the last visit left and what the data say."""
    outcome, before = pl.col("outcome"), pl.col("standing_before")
    is_sound = (pl.col("verdict") == SOUND) & (pl.col("has_data") | outcome.is_null())
    was_watched = pl.col("is_listed_before").fill_null(False) | (before == WATCHED).fill_null(False)
    was_cleared = (before == CLEARED).fill_null(False)
    listed = (
        pl.when(outcome == "fixed").then(pl.lit(STILL_WRONG))
        .when(outcome == "open").then(pl.lit(NOT_FIXED))
        .when("is_listed_before").then(pl.lit(WAITING))
        .otherwise(pl.lit(NEW))
    )  # fmt: skip
    return (
        pl.when("is_listed").then(listed)
        .when(outcome == "sound").then(pl.lit(FOUND_SOUND))
        .when(outcome.is_not_null()).then(pl.when(is_sound).then(pl.lit(CLEARED)).otherwise(pl.lit(WATCHED)))
        .when(was_cleared | (was_watched & is_sound)).then(pl.lit(CLEARED))
        .when(was_watched).then(pl.lit(WATCHED))
        .otherwise(pl.lit(NOT_LISTED))
    )  # fmt: skip

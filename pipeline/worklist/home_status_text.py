"""The standings a home can have with the list, and the line that says why it has one."""

from __future__ import annotations

import polars as pl

from pipeline.core.contract import SOUND
from pipeline.worklist.fix_verification import DISPROVED, PROVED

NOT_LISTED = "not listed"
NEW = "new tonight"
WAITING = "waiting"
PLANNED = "visit planned"
NOT_FIXED = "visited, not fixed"
STILL_WRONG = "still wrong after the visit"
WATCHED = "watching the data"
FOUND_SOUND = "found sound on site"
OTHER_CAUSE = "another cause found on site"
PROVED_RIGHT = "proved right by the data"
CLEARED = "cleared by the data"
STANDINGS = (
    NOT_LISTED, NEW, WAITING, PLANNED, NOT_FIXED, STILL_WRONG, WATCHED, FOUND_SOUND, OTHER_CAUSE, PROVED_RIGHT, CLEARED,
)  # fmt: skip
SETTLED = (CLEARED, PROVED_RIGHT)


def cause() -> pl.Expr:
    """Return one line saying what made the standing what it is, over the columns of `next_standing`."""
    visit, outcome, has_data = pl.col("last_visit_on"), pl.col("outcome"), pl.col("has_data")
    percent = (pl.col("likelihood") * 100).floor().cast(pl.Int64)
    fault = pl.col("fault").str.replace_all("_", " ", literal=True)
    suspected = pl.format("{} % likely to have a fault, {} first of all", percent, fault)
    planned = pl.col("planned_on")
    is_missed = planned < pl.col("as_of")
    waits = (
        pl.when(planned.is_null())
        .then(pl.format("listed since {}, no visit since", "listed_since_before"))
        .when(is_missed)
        .then(pl.format("planned for {}, no visit recorded", planned))
        .otherwise(pl.format("listed since {}, planned for {}", "listed_since_before", planned))
    )
    listed = (
        pl.when(outcome == "fixed")
        .then(pl.format("said to be fixed on {}, but by the data since it is {}", visit, suspected))
        .when(outcome == "open")
        .then(pl.format("visited on {} and not fixed", visit))
        .when("is_listed_before")
        .then(waits)
        .when(outcome.is_in(["sound", "other"]))
        .then(
            pl.format(
                "{} on {}, but another fault is suspected now: {}",
                pl.when(outcome == "sound").then(pl.lit("found sound")).otherwise(pl.lit("another cause found")),
                visit,
                suspected,
            )
        )
        .when(pl.col("standing_before").is_in(SETTLED))
        .then(pl.format("settled before, now again {}", suspected))
        .otherwise(suspected)
    )  # fmt: skip
    found = pl.when(outcome == "sound").then(pl.lit("found sound")).otherwise(pl.lit("another cause found"))
    is_another = pl.col("fault") != pl.col("held_fault")
    held = (
        pl.when(pl.col("is_held") & has_data & is_another & pl.col("is_too_soon"))
        .then(pl.format("{} on {}; too few nights yet to say that it is {}", found, visit, fault))
        .when(pl.col("is_held") & has_data)
        .then(pl.format("{} on {}; the data still look as they did before", found, visit))
        .otherwise(pl.format("{} on {}", found, visit))
    )
    wanted = pl.col("nights_wanted")
    fixed = (
        pl.when(~has_data)
        .then(pl.format("said to be fixed on {}, no data since", visit))
        .when(pl.col("proof") == PROVED)
        .then(pl.format("said to be fixed on {}, and so it is: {}", visit, "proof_told"))
        .when(wanted.is_not_null())
        .then(pl.format("said to be fixed on {}, proof takes about {} nights: {}", visit, wanted, "proof_told"))
        .otherwise(pl.format("said to be fixed on {}, not proved yet: {}", visit, "proof_told"))
    )  # fmt: skip
    left_open = (
        pl.when(~has_data)
        .then(pl.format("visited on {} and not fixed, no data since", visit))
        .when(pl.col("verdict") == SOUND)
        .then(pl.format("visited on {} and not fixed, yet the data since look right", visit))
        .otherwise(pl.format("visited on {} and not fixed, too few data since to tell", visit))
    )
    return (
        pl.when("is_listed")
        .then(listed)
        .when(outcome.is_in(["sound", "other"]))
        .then(held)
        .when(outcome == "fixed")
        .then(fixed)
        .when(outcome == "open")
        .then(left_open)
        .when(pl.col("nights") == 0)
        .then(pl.lit("no data in the window"))
        .when(pl.col("verdict") == SOUND)
        .then(pl.lit("the data look right"))
        .otherwise(pl.format("{} % likely to have a fault, {}", percent, _not_enough()))
    )


def _not_enough() -> pl.Expr:
    """Return why a home that may have a fault is not listed."""
    pays_from = (pl.col("break_even") * 100).ceil().cast(pl.Int64)
    return (
        pl.when(pl.col("break_even").is_null())
        .then(pl.lit("and going would cost more than it brings"))
        .when(pl.col("likelihood") < pl.col("break_even"))
        .then(pl.format("not enough for the list: going pays from {} % on", pays_from))
        .otherwise(pl.lit("not enough data for the list"))
    )


def is_disproved() -> pl.Expr:
    """Whether the data since a visit say that it didn't work."""
    return (pl.col("proof") == DISPROVED).fill_null(False)

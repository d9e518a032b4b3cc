"""The standings a home can have with the list, and the line that says why it has one."""

from __future__ import annotations

import polars as pl

from pipeline.contract import SOUND

NOT_LISTED = "not listed"
NEW = "new tonight"
WAITING = "waiting"
NOT_FIXED = "visited, not fixed"
STILL_WRONG = "still wrong after the visit"
WATCHED = "watching the data"
FOUND_SOUND = "found sound on site"
CLEARED = "cleared by the data"
STANDINGS = (NOT_LISTED, NEW, WAITING, NOT_FIXED, STILL_WRONG, WATCHED, FOUND_SOUND, CLEARED)


def cause() -> pl.Expr:
    """Return one line saying what made the standing what it is, over the columns of `next_standing`."""
    visit, outcome, has_data = pl.col("last_visit_on"), pl.col("outcome"), pl.col("has_data")
    percent = (pl.col("likelihood") * 100).floor().cast(pl.Int64)
    fault = pl.col("fault").str.replace_all("_", " ", literal=True)
    suspected = pl.format("{} % likely to have a fault, {} first of all", percent, fault)
    listed = (
        pl.when(outcome == "fixed")
        .then(pl.format("said to be fixed on {}, but by the data since it is {}", visit, suspected))
        .when(outcome == "open")
        .then(pl.format("visited on {} and not fixed", visit))
        .when("is_listed_before")
        .then(pl.format("listed since {}, no visit since", "listed_since_before"))
        .when(outcome == "sound")
        .then(pl.format("found sound on {}, but another fault is suspected now: {}", visit, suspected))
        .when(pl.col("standing_before") == CLEARED)
        .then(pl.format("cleared before, now again {}", suspected))
        .otherwise(suspected)
    )
    found_sound = (
        pl.when(pl.col("is_held") & has_data)
        .then(pl.format("found sound on {}; the data still look as they did before", visit))
        .otherwise(pl.format("found sound on {}", visit))
    )
    visited = (
        pl.when(~has_data)
        .then(pl.format("visited on {}, no data since", visit))
        .when(pl.col("verdict") == SOUND)
        .then(pl.format("visited on {}, and the data since look right", visit))
        .otherwise(pl.format("visited on {}, too few data since to tell", visit))
    )
    return (
        pl.when("is_listed")
        .then(listed)
        .when(outcome == "sound")
        .then(found_sound)
        .when(outcome.is_not_null())
        .then(visited)
        .when(pl.col("nights") == 0)
        .then(pl.lit("no data in the window"))
        .when(pl.col("verdict") == SOUND)
        .then(pl.lit("the data look right"))
        .otherwise(pl.format("{} % likely to have a fault, not enough for the list", percent))
    )

"""Each night's numbers of the list, one row a night; the night's run adds its row to those of the runs before.

Visits are counted anew from the register for every night, so a visit that is written down late goes to its own night.
"""

from __future__ import annotations

from datetime import date

import polars as pl

from pipeline.core.contract import SOUND
from pipeline.worklist.home_status_text import PROVED_RIGHT, Reason

# listed: rows of revisit_list, of them visits and office; new: listed since this night; left: listed in the run before
# and no longer; waiting: listed or beyond the end of the list; visited, fixed: visits since the run before, and those
# that found a CT fault and say that it was put right; confirmed: homes whose fix the data proved right this night.
SCHEMA = pl.Schema(
    {
        "as_of": pl.Date, "homes": pl.Int64, "safety": pl.Int64, "suspect": pl.Int64, "unproven": pl.Int64,
        "sound": pl.Int64, "listed": pl.Int64, "visits": pl.Int64, "office": pl.Int64, "new": pl.Int64,
        "left": pl.Int64, "waiting": pl.Int64, "visited": pl.Int64, "fixed": pl.Int64, "confirmed": pl.Int64,
    }
)  # fmt: skip
_NOT_FAULTS = (SOUND, "other")


def next_night_count(
    previous: pl.DataFrame | None,
    scores: pl.DataFrame,
    listed: pl.DataFrame,
    *,
    visits: pl.DataFrame,
    standing: pl.DataFrame,
    standing_before: pl.DataFrame | None,
    as_of: date,
) -> pl.DataFrame:
    """Return SCHEMA after the night `as_of`, oldest night first.

    Parameters
    ----------
    previous
        The table of the run before; None on the first night.
    scores, listed
        Tonight's verdicts and revisit_list.
    visits
        The register of visits.
    standing, standing_before
        Table standing of tonight and of the run before; None on the first night.
    as_of
        The night.
    """
    is_safety = pl.col("is_neutral_suspect").fill_null(False)
    verdict = pl.when(is_safety).then(pl.lit("safety")).otherwise("verdict")
    verdicts = dict(scores.group_by(verdict.alias("verdict")).len().iter_rows())
    ways = dict(listed.group_by("fix_by").len().iter_rows())
    now = set(listed["site_id"])
    before = set() if standing_before is None else set(standing_before.filter("is_listed")["site_id"])
    begun = standing.filter(pl.col("standing_since") == as_of, pl.col("standing") == PROVED_RIGHT)
    tonight = {
        "as_of": as_of,
        "homes": scores.height,
        **{name: verdicts.get(name, 0) for name in ("safety", "suspect", "unproven", "sound")},
        "listed": listed.height,
        "visits": ways.get("visit", 0),
        "office": ways.get("office", 0),
        "new": len(now - before),
        "left": len(before - now),
        "waiting": listed.height + standing.filter(pl.col("reason") == Reason.BEYOND_END).height,
        "visited": 0,
        "fixed": 0,
        "confirmed": begun.height,
    }
    rows = pl.DataFrame([tonight], schema=SCHEMA)
    if previous is not None:
        rows = pl.concat([previous.filter(pl.col("as_of") < as_of).select(SCHEMA.names()), rows])
    return _with_visits(rows.sort("as_of"), visits)


def _with_visits(nights: pl.DataFrame, visits: pl.DataFrame) -> pl.DataFrame:
    """Return the nights with the register's visits, each counted in the first night that is not before it."""
    is_fixed = pl.col("fixed").fill_null(False) & ~pl.col("found").is_in(_NOT_FAULTS)
    first, last = nights["as_of"].min(), nights["as_of"].max()
    days = (
        visits.filter(pl.col("visited_on").is_between(first, last))
        .select("visited_on", is_fixed=is_fixed.fill_null(False))
        .sort("visited_on")
        .join_asof(nights.select("as_of"), left_on="visited_on", right_on="as_of", strategy="forward")
        .group_by("as_of")
        .agg(visited=pl.len().cast(pl.Int64), fixed=pl.col("is_fixed").sum().cast(pl.Int64))
    )
    zero = pl.col("visited", "fixed").fill_null(0)
    return (
        nights.drop("visited", "fixed")
        .join(days, on="as_of", how="left")
        .with_columns(zero)
        .select(SCHEMA.names())
    )

"""The prediction log: what the list said of a home before the visit, beside what was found there.

Two tables carry it from night to night. `promise_book` has the lists of the last nights; `promise` a row for each visit
of the register with the newest promise made before it. A visit is matched with the list of the night before, also if
its record arrives days later, as far as the book goes back. The register is read anew every night.
"""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl

from pipeline.core.contract import FAULTS, OTHER, SOUND
from pipeline.core.setting_sections import HitRateSettings
from pipeline.worklist.fix_verification import OPEN

BOOK = pl.Schema(
    {
        "site_id": pl.String, "promised_on": pl.Date, "likelihood": pl.Float64, "fault": pl.String,
        "leg": pl.String, "since": pl.Date, "fix_by": pl.String,
    }
)  # fmt: skip
# promised_on .. fix_by: null where the home was on no list before; since: null too where the fault was there from the
# first day; age_days: from that night to the visit, 1 is the night before. is_hit: a CT fault was found, null where
# the visit doesn't say; is_named_right: it was the one promised, null without a fault. left_out: why the visit
# doesn't test the promise, null if it does. proof: the last verification of a visit that says fixed.
SCHEMA = pl.Schema(
    {
        "visit_id": pl.String, "site_id": pl.String, "visited_on": pl.Date, "month": pl.String,
        "crew_id": pl.String, "promised_on": pl.Date, "age_days": pl.Int64, "likelihood": pl.Float64,
        "fault": pl.String, "leg": pl.String, "since": pl.Date, "fix_by": pl.String, "found": pl.String,
        "found_leg": pl.String, "fixed": pl.Boolean, "is_hit": pl.Boolean, "is_named_right": pl.Boolean,
        "left_out": pl.String, "proof": pl.String,
    }
)  # fmt: skip
NOT_LISTED = "on no list before"
OTHER_CAUSE = "another cause found"
NOT_SAID = "nothing recorded"
KNOWN_FAULT = "back to a fault found before"
SAME_PROMISE = "second visit on the same promise"


def next_book(
    previous: pl.DataFrame | None, listed: pl.DataFrame, as_of: date, *, settings: HitRateSettings
) -> pl.DataFrame:
    """Return the book (BOOK) after the night `as_of`: its list, and those of [hit_rate] late_days nights before.

    Parameters
    ----------
    previous
        The book of an earlier night; None on the first.
    listed
        `revisit_list`: site_id, likelihood, suspected_fault, leg, since, fix_by.
    as_of, settings
        The night, and section [hit_rate].
    """
    tonight = listed.rename({"suspected_fault": "fault"}).with_columns(promised_on=pl.lit(as_of))
    first = as_of - timedelta(days=settings.late_days)
    earlier = _book(previous).filter(pl.col("promised_on").is_between(first, as_of, closed="left"))
    return pl.concat([earlier, tonight.select(BOOK.names()).cast(BOOK)]).sort("promised_on", "site_id")


def next_promise(
    previous: pl.DataFrame | None,
    book: pl.DataFrame | None,
    visits: pl.DataFrame,
    *,
    standing: pl.DataFrame,
    as_of: date,
    settings: HitRateSettings,
) -> pl.DataFrame:
    """Return table promise (SCHEMA) after the night `as_of`, a row a visit up to it, sorted by day and id.

    Parameters
    ----------
    previous, book
        Tables promise and promise_book of an earlier night; None on the first.
    visits
        The register.
    standing
        Tonight's standings, for the verification of the last visit: site_id, last_visit_on, proof.
    as_of, settings
        The night, and section [hit_rate].

    Notes
    -----
    A visit tests a promise unless the home was on no list before it, the visit found another cause or says nothing, an
    earlier one had found a fault there and left it, or another visit was made on the same promise.
    """
    before = pl.DataFrame(schema=SCHEMA) if previous is None else previous
    promises = pl.concat([_book(before.drop_nulls("promised_on")), _book(book)])
    visits = (
        visits.filter(pl.col("visited_on") <= as_of)
        .sort("visited_on", "visit_id")
        .rename({"leg": "found_leg"})
    )
    visits = visits.select("visit_id", "site_id", "visited_on", "crew_id", "found", "found_leg", "fixed")
    matched = visits.join_asof(
        promises.unique(["site_id", "promised_on"], keep="first", maintain_order=True).sort("promised_on"),
        left_on="visited_on",
        right_on="promised_on",
        by="site_id",
        strategy="backward",
        allow_exact_matches=False,
        tolerance=f"{settings.late_days}d",
        coalesce=False,
        check_sortedness=False,
    )
    is_hit = pl.when(pl.col("found").is_in(FAULTS)).then(True).when(pl.col("found") == SOUND).then(False)
    return (
        matched.with_columns(
            month=pl.col("visited_on").dt.to_string("%Y-%m"),
            age_days=(pl.col("visited_on") - pl.col("promised_on")).dt.total_days(),
            is_hit=is_hit,
            is_named_right=pl.when(is_hit).then(pl.col("found") == pl.col("fault")),
        )
        .with_columns(left_out=_left_out())
        .join(_verified(standing, before, visits), on="visit_id", how="left")
        .select(SCHEMA.names())
        .cast(SCHEMA)
        .sort("visited_on", "visit_id")
    )


def _book(table: pl.DataFrame | None) -> pl.DataFrame:
    """Return the columns of BOOK; one that the run before did not know is null."""
    if table is None:
        return pl.DataFrame(schema=BOOK)
    return pl.concat([pl.DataFrame(schema=BOOK), table], how="diagonal_relaxed").select(BOOK.names())


def _left_out() -> pl.Expr:
    """Return why a visit doesn't test a promise, over visits in the order they were made."""
    was_left = (pl.col("is_hit") & ~pl.col("fixed").fill_null(False)).fill_null(False)
    is_back = was_left.shift(1).over("site_id").fill_null(False)
    speaks = pl.col("is_hit").is_not_null()
    is_again = speaks.cast(pl.Int64).cum_sum().over("site_id", "promised_on") > 1
    return (
        pl.when(pl.col("promised_on").is_null()).then(pl.lit(NOT_LISTED))
        .when(pl.col("found").is_null()).then(pl.lit(NOT_SAID))
        .when(pl.col("found") == OTHER).then(pl.lit(OTHER_CAUSE))
        .when(is_back).then(pl.lit(KNOWN_FAULT))
        .when(is_again).then(pl.lit(SAME_PROMISE))
    )  # fmt: skip


def _verified(standing: pl.DataFrame, before: pl.DataFrame, visits: pl.DataFrame) -> pl.DataFrame:
    """Return `visit_id`, `proof`: tonight's of each home's last visit, else the last that was known."""
    tonight = standing.select("site_id", visited_on="last_visit_on", tonight="proof").drop_nulls("visited_on")
    known = before.select("visit_id", "visited_on", "proof")
    return (
        visits.join(tonight, on=["site_id", "visited_on"], how="left")
        .join(known, on=["visit_id", "visited_on"], how="left")
        .select("visit_id", proof=pl.coalesce(pl.when(pl.col("tonight") != OPEN).then("tonight"), "proof"))
    )

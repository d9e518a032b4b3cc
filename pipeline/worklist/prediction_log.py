"""What the list promised of a home before somebody went, kept beside what was found there.

Two tables carry it from night to night. `promise_book` is what each list said of its homes, over the last nights;
`promise` has a row for each visit of the register with the newest promise made before it. A visit is matched with the
list of the night before, also if its record arrives days later, as long as the book goes back so far. A record that
changes is read again every night, one that is withdrawn is gone.
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
# doesn't test the promise, null if it does. proof: what the data since said at last of a visit that says fixed.
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
    previous: pl.DataFrame | None, listed: pl.DataFrame, as_of: date, own: HitRateSettings
) -> pl.DataFrame:
    """Return the book (BOOK) after the night `as_of`: its list, and those of [hit_rate] late_days nights before.

    Parameters
    ----------
    previous
        The book of an earlier night; None on the first.
    listed
        `revisit_list`: site_id, likelihood, suspected_fault, leg, since, fix_by.
    """
    tonight = listed.rename({"suspected_fault": "fault"}).with_columns(pl.lit(as_of).alias("promised_on"))
    earlier = pl.DataFrame(schema=BOOK) if previous is None else _book(previous)
    kept = earlier.filter(
        pl.col("promised_on").is_between(as_of - timedelta(days=own.late_days), as_of, closed="left")
    )
    return pl.concat([kept, tonight.select(pl.col(name).cast(kind) for name, kind in BOOK.items())]).sort(
        "promised_on", "site_id"
    )


def next_promise(
    previous: pl.DataFrame | None,
    book: pl.DataFrame | None,
    visits: pl.DataFrame,
    standing: pl.DataFrame,
    as_of: date,
    own: HitRateSettings,
) -> pl.DataFrame:
    """Return table promise (SCHEMA) after the night `as_of`, a row a visit up to it, sorted by day and id.

    Parameters
    ----------
    previous, book
        Tables promise and promise_book of an earlier night; None on the first.
    visits
        The register.
    standing
        Tonight's standings, for what the data since the last visit prove: site_id, last_visit_on, proof.

    Notes
    -----
    A visit tests a promise unless the home was on no list before it, the visit found another cause or says nothing, an
    earlier one had found a fault there and left it, or another visit was made on the same promise.
    """
    before = pl.DataFrame(schema=SCHEMA) if previous is None else previous
    pool = _book(before.drop_nulls("promised_on"))
    if book is not None:
        pool = pl.concat([pool, _book(book)])
    told = (
        visits.filter(pl.col("visited_on") <= as_of)
        .select(
            "visit_id", "site_id", "visited_on", "crew_id", "found", pl.col("leg").alias("found_leg"), "fixed"
        )
        .sort("visited_on", "visit_id")
    )
    matched = told.join_asof(
        pool.unique(["site_id", "promised_on"], keep="first", maintain_order=True).sort("promised_on"),
        left_on="visited_on",
        right_on="promised_on",
        by="site_id",
        strategy="backward",
        allow_exact_matches=False,
        tolerance=f"{own.late_days}d",
        coalesce=False,
        check_sortedness=False,
    )
    return (
        matched.with_columns(
            pl.col("visited_on").dt.to_string("%Y-%m").alias("month"),
            (pl.col("visited_on") - pl.col("promised_on")).dt.total_days().alias("age_days"),
            *_found(),
        )
        .with_columns(_left_out().alias("left_out"))
        .join(_proofs(standing, before, told), on="visit_id", how="left")
        .select(pl.col(name).cast(kind) for name, kind in SCHEMA.items())
        .sort("visited_on", "visit_id")
    )


def _book(table: pl.DataFrame) -> pl.DataFrame:
    """Return the columns of BOOK; one that the run before did not know is null."""
    missing = [pl.lit(None, kind).alias(name) for name, kind in BOOK.items() if name not in table.columns]
    return table.with_columns(missing).select(BOOK.names())


def _found() -> list[pl.Expr]:
    found = pl.col("found")
    is_hit = pl.when(found.is_in(FAULTS)).then(True).when(found == SOUND).then(False)
    return [is_hit.alias("is_hit"), pl.when(is_hit).then(found == pl.col("fault")).alias("is_named_right")]


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


def _proofs(standing: pl.DataFrame, before: pl.DataFrame, told: pl.DataFrame) -> pl.DataFrame:
    """Return `visit_id`, `proof`: tonight's of each home's last visit, else the last that was known."""
    now = (
        told.join(standing.select("site_id", "last_visit_on", pl.col("proof").alias("now")), on="site_id")
        .filter(pl.col("visited_on") == pl.col("last_visit_on"))
        .select("visit_id", pl.when(pl.col("now") != OPEN).then("now").alias("now"))
    )
    known = before.select("visit_id", pl.col("proof").alias("then"), pl.col("visited_on").alias("then_on"))
    both = told.select("visit_id", "visited_on").join(known, on="visit_id", how="left")
    kept = pl.when(pl.col("then_on") == pl.col("visited_on")).then("then")
    return both.join(now, on="visit_id", how="left").select(
        "visit_id", pl.coalesce("now", kept).alias("proof")
    )

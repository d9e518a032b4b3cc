"""The standings a home can have with the list, the reasons for or against listing it, and the line that says why."""

from __future__ import annotations

from collections.abc import Sequence
from enum import StrEnum

import polars as pl

from pipeline.core.contract import SOUND
from pipeline.core.percent_text import percent_column
from pipeline.faults.fault_text import fault_title_column
from pipeline.worklist.fix_verification import PROVED
from pipeline.worklist.last_visit import FIXED, SAID_OTHER, SAID_SOUND, UNFIXED
from pipeline.worklist.suspected_text import suspected_column

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
BEYOND_END = "beyond the end of the list"
SETTLED = (CLEARED, PROVED_RIGHT)


class Reason(StrEnum):
    """Why a home is on the list, is kept off it, or doesn't belong there; published and printed as it reads here."""

    SUSPECT = "a suspect"
    PAYS = "unproven, and going pays"
    STAYS = "unproven, listed before and not clearly below the cut"
    LEFT_UNFIXED = "a visit left it unfixed"
    STILL_WRONG = "said to be fixed, but the data since say that it is not"

    BEYOND_END = "wanted on the list, but beyond its end"

    NO_DATA_SINCE = "no data since the visit"
    TOO_SOON = "too few nights yet to say that it is another fault"
    LOOKS_AS_BEFORE = "the data still look as they did before"
    SAID_FIXED = "said to be fixed, and the data since don't say that it is not"

    SAFETY_CALL = "no CT work before the safety call is cleared"
    NO_DATA = "no data in the window"
    LOOKS_RIGHT = "the data look right"
    NEVER_PAYS = "going would cost more than it brings"
    BELOW_BREAK_EVEN = "not likely enough for going to pay"
    UNLIKELY = "not likely enough for the list, though going would pay"
    FEW_NIGHTS = "too few nights of data for the list"


LISTED = (Reason.SUSPECT, Reason.PAYS, Reason.STAYS, Reason.LEFT_UNFIXED, Reason.STILL_WRONG)
HELD = (Reason.NO_DATA_SINCE, Reason.TOO_SOON, Reason.LOOKS_AS_BEFORE, Reason.SAID_FIXED)


def cause(faults: Sequence[str], max_rows: int, line_count: pl.Expr | None = None) -> pl.Expr:
    """Return why the standing is what it is, in a line, over the columns of `next_standing`.

    `faults` are the names in `fault_likelihoods`, `max_rows` where the list ends, `line_count` how many
    lines a home has (None: two).
    """
    reason, planned, outcome = pl.col("reason"), pl.col("planned_on"), pl.col("outcome")
    visit, has_data, wanted = pl.col("last_visit_on"), pl.col("has_data"), pl.col("nights_wanted")
    fault = fault_title_column(pl.col("fault"), line_count)
    suspected, any_fault = suspected_column(faults, line_count), percent_column(pl.col("likelihood"))
    says_nothing_wrong = outcome.is_in([SAID_SOUND, SAID_OTHER])
    finding = (
        pl.when(outcome == SAID_SOUND).then(pl.lit("no CT fault found"))
        .otherwise(pl.lit("another cause found"))
    )  # fmt: skip
    found = pl.format("{} on {}", finding, visit)
    waits = (
        pl.when(planned.is_null()).then(pl.format("listed since {}, no visit planned", "listed_since_before"))
        .when(planned < pl.col("as_of")).then(pl.format("visit planned for {}, none recorded", planned))
        .otherwise(pl.format("listed since {}, visit planned for {}", "listed_since_before", planned))
    )  # fmt: skip
    listed = (
        pl.when(outcome == FIXED)
        .then(pl.format("recorded as fixed on {}, but the data since show a fault: {}", visit, suspected))
        .when(outcome == UNFIXED).then(pl.format("visited on {}, not fixed", visit))
        .when("is_listed_before").then(waits)
        .when(says_nothing_wrong).then(pl.format("{}; another fault is suspected now: {}", found, suspected))
        .when(pl.col("standing_before").is_in(SETTLED)).then(pl.format("was settled, suspected again: {}", suspected))
        .otherwise(suspected)
    )  # fmt: skip
    held = (
        pl.when(reason == Reason.TOO_SOON)
        .then(pl.format("{}; too few nights since to suspect another fault: {}", found, fault))
        .when(reason == Reason.LOOKS_AS_BEFORE).then(pl.format("{}; the data look as before the visit", found))
        .when(reason == Reason.NO_DATA_SINCE).then(pl.format("{}; no data since", found))
        .otherwise(found)
    )  # fmt: skip
    so_far = (
        pl.when(~has_data).then(pl.lit("no data since"))
        .when(pl.col("proof") == PROVED).then(pl.format("confirmed by the data: {}", "proof_told"))
        .when(wanted.is_not_null())
        .then(pl.format("not confirmed yet, at this rate it takes about {} nights: {}", wanted, "proof_told"))
        .otherwise(pl.format("not confirmed by the data: {}", "proof_told"))
    )  # fmt: skip
    since = (
        pl.when(~has_data).then(pl.lit("no data since"))
        .when(pl.col("verdict") == SOUND).then(pl.lit("but the data since look right"))
        .otherwise(pl.lit("the data since don't settle it"))
    )  # fmt: skip
    break_even = pl.format("below its break-even likelihood of {}", percent_column(pl.col("break_even")))
    kept_off = (
        pl.when(reason == Reason.BELOW_BREAK_EVEN).then(break_even)
        .when(reason == Reason.UNLIKELY).then(pl.lit("below the least likelihood for the list"))
        .otherwise(reason)
    )  # fmt: skip
    return (
        pl.when("is_listed").then(listed)
        .when(reason == Reason.BEYOND_END)
        .then(pl.format("{}; qualifies for the list, which ends after {} rows", suspected, pl.lit(max_rows)))
        .when(says_nothing_wrong).then(held)
        .when(outcome == FIXED).then(pl.format("recorded as fixed on {}; {}", visit, so_far))
        .when(outcome == UNFIXED).then(pl.format("visited on {}, not fixed; {}", visit, since))
        .when(reason.is_in([Reason.NO_DATA, Reason.LOOKS_RIGHT])).then(reason)
        .otherwise(pl.format("{} any fault; {}", any_fault, kept_off))
    )  # fmt: skip

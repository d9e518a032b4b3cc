"""Which homes are listed, in which order, and why: each home has one reason each night, and the reason decides."""

from __future__ import annotations

from collections.abc import Sequence

import polars as pl

from pipeline.core import contract
from pipeline.core.setting_sections import RankingSettings
from pipeline.worklist.fix_verification import DISPROVED
from pipeline.worklist.home_status_text import HELD, LISTED, PROVED_RIGHT, Reason
from pipeline.worklist.last_visit import FIXED, SAID_OTHER, SAID_SOUND, UNFIXED


def list_order() -> list[pl.Expr]:
    """Return what the list is sorted by: above the cut first, suspects first, by priority, equal ones by site_id."""
    return [pl.col("priority") <= 0, pl.col("verdict") != "suspect", -pl.col("priority"), pl.col("site_id")]


def with_reasons(homes: pl.DataFrame, faults: Sequence[str], ranking: RankingSettings) -> pl.DataFrame:
    """Return `homes` with `reason` (Reason), `is_listed` and `is_held`: wanted, but kept off by what a visit found.

    A suspect is always wanted: where going costs more than it brings, the list says so (`is_above_cut`). An unproven
    home is when going has a positive expected value, with [ranking] least_nights of data, since waiting costs less than
    a truck, and a likelihood from least_likelihood on, so that cheap fixes or much energy don't list homes of which
    nothing is suspected. One that is listed stays until its value falls below leave_below or its likelihood below
    leave_likelihood, so that it doesn't come and go. A home called sound is only where a fix is shown not to have
    worked. The list ends after [ranking] max_rows.

    `homes` has what `next_standing` knows of each home tonight; `faults` are the names in `fault_likelihoods`.
    """
    wanted, is_listed = _wanted(ranking), pl.col("reason").is_in(LISTED)
    listed_or_held = pl.coalesce(_held(faults, ranking), wanted)
    homes = homes.with_columns(
        reason=pl.when(wanted.is_null()).then(_unwanted(ranking)).otherwise(listed_or_held)
    )
    beyond = homes.filter(is_listed).sort(list_order())["site_id"].slice(ranking.max_rows)
    reason = pl.when(pl.col("site_id").is_in(beyond.implode())).then(pl.lit(Reason.BEYOND_END))
    return homes.with_columns(reason=reason.otherwise("reason")).with_columns(
        is_listed=is_listed, is_held=pl.col("reason").is_in(HELD)
    )


def _is_disproved() -> pl.Expr:
    """Whether the data since a visit say that it didn't work."""
    return (pl.col("proof") == DISPROVED).fill_null(False)


def _wanted(ranking: RankingSettings) -> pl.Expr:
    """Return why the home should be listed: a visit left it wrong, or going is worth it; null where it shouldn't."""
    verdict, outcome, priority = pl.col("verdict"), pl.col("outcome"), pl.col("priority")
    likelihood, is_unproven = pl.col("likelihood"), verdict == "unproven"
    is_likely = (pl.col("nights") >= ranking.least_nights) & (likelihood >= ranking.least_likelihood)
    stays = pl.col("is_listed_before") & (priority > ranking.leave_below)
    return (
        pl.when((outcome == FIXED) & _is_disproved()).then(pl.lit(Reason.STILL_WRONG))
        .when((outcome == UNFIXED) & (verdict != contract.SOUND)).then(pl.lit(Reason.LEFT_UNFIXED))
        .when(verdict == "suspect").then(pl.lit(Reason.SUSPECT))
        .when(is_unproven & is_likely & (priority > 0)).then(pl.lit(Reason.PAYS))
        .when(is_unproven & stays & (is_likely | (likelihood >= ranking.leave_likelihood))).then(pl.lit(Reason.STAYS))
    )  # fmt: skip


def _held(faults: Sequence[str], ranking: RankingSettings) -> pl.Expr:
    """Return why what a visit found keeps a wanted home off the list tonight, null where it doesn't.

    Faults that look alike trade places from night to night: the suspicion is another one only when the first has fallen
    below [ranking].also_from. Another one, and one at a home just proved right, has to last several nights.
    """
    outcome, held = pl.col("outcome"), pl.col("held_fault")
    is_same = (held == pl.col("fault")).fill_null(False)
    still = pl.any_horizontal(
        (held == name) & (pl.col("fault_likelihoods").struct.field(name) >= ranking.also_from)
        for name in faults
    )
    says_nothing_wrong = outcome.is_in([SAID_SOUND, SAID_OTHER]).fill_null(False)
    was_proved = (pl.col("standing_before") == PROVED_RIGHT).fill_null(False)
    is_soon = pl.col("is_too_soon") & (says_nothing_wrong | was_proved)
    return (
        pl.when(says_nothing_wrong & ~pl.col("has_data")).then(pl.lit(Reason.NO_DATA_SINCE))
        .when(is_soon & ~is_same).then(pl.lit(Reason.TOO_SOON))
        .when(says_nothing_wrong & (is_same | still)).then(pl.lit(Reason.LOOKS_AS_BEFORE))
        .when((outcome == FIXED) & ~_is_disproved()).then(pl.lit(Reason.SAID_FIXED))
    )  # fmt: skip


def _unwanted(ranking: RankingSettings) -> pl.Expr:
    """Return why the home should not be listed."""
    return (
        pl.when(pl.col("from_on").is_null()).then(pl.lit(Reason.NO_DATA))
        .when(pl.col("verdict") == contract.SOUND).then(pl.lit(Reason.LOOKS_RIGHT))
        .when(pl.col("break_even").is_null()).then(pl.lit(Reason.NEVER_PAYS))
        .when(pl.col("priority") <= 0).then(pl.lit(Reason.BELOW_BREAK_EVEN))
        .when(pl.col("likelihood") < ranking.least_likelihood).then(pl.lit(Reason.UNLIKELY))
        .otherwise(pl.lit(Reason.FEW_NIGHTS))
    )  # fmt: skip

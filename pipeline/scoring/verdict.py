"""What is said of a home: a safety call; else suspect, sound, or unproven and why."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.core.contract import SAFETY, SOUND, SUSPECT, UNPROVEN
from pipeline.core.percent_text import percent_column
from pipeline.core.setting_sections import VerdictSettings
from pipeline.probes.line_rows import TWO
from pipeline.probes.register import fed_lines
from pipeline.scoring.innocent import CAUSES


@dataclass(frozen=True)
class Prior:
    """What stands before the data: `base_rate` of any fault, shared as `fault_mix` (sums to 1)."""

    base_rate: float
    fault_mix: Mapping[str, float]


NO_METER = "no utility meter data"
# What would settle an unproven home (column `unproven_need`), besides readings and a visit, and why it is missing.
MISSING = {
    "sun": f"too few PV ramps and {NO_METER}: nothing proves the scale",
    "record": f"{NO_METER}, and the site record doesn't say whether the CTs see production",
    "meter": f"CTs that don't see production and {NO_METER}: nothing proves the scale",
}
# The same of three lines of which production feeds only some.
PARTLY_FED = f"production does not feed every line, and {NO_METER}: nothing proves the scale of the others"
# Every code of `unproven_need`. `visit`: there is evidence for a fault and against it, and only a look on site tells.
NEEDS = ("readings", "nights", *MISSING, "visit")


def missing_evidence(settings: VerdictSettings, line_count: int = TWO) -> pl.Expr:
    """Return the code of what is missing to call a home sound: nights, or a probe of scale; null if nothing is.

    The sun tells the scale of a CT that sees production, the utility meter that of any. Loads alone don't: a CT
    at the loads that reads half of everything gives the readings of a right one in a smaller home. Of three lines the
    sun tells nothing of those that production doesn't feed.
    """
    is_fed = pl.lit(True) if line_count == TWO else fed_lines() == line_count
    sees_sun = pl.col("has_probe") & pl.col("is_declared_upstream").fill_null(False)
    by_sun = sees_sun & is_fed
    by_meter = (pl.col("meter_share") > 0.5).fill_null(False)
    return (
        pl.when(pl.col("nights") < settings.min_nights).then(pl.lit("nights"))
        .when(by_sun | by_meter).then(None)
        .when(sees_sun).then(pl.lit("meter"))
        .when(pl.col("is_declared_upstream").fill_null(False)).then(pl.lit("sun"))
        .when(pl.col("is_declared_upstream").is_null()).then(pl.lit("record"))
        .otherwise(pl.lit("meter"))
    )  # fmt: skip


def _missing_words(settings: VerdictSettings) -> pl.Expr:
    """Return the code in `unproven_need` in words."""
    few = pl.format("{} nights of data, {} are needed", pl.col("nights"), pl.lit(settings.min_nights))
    words = {"readings": "no rows in the window", **MISSING}
    missing = pl.col("unproven_need").replace_strict(words, default=None, return_dtype=pl.String)
    file = pl.format("a utility file that {}", pl.col("meter_why_not"))
    return (
        pl.when(pl.col("unproven_need") == "nights").then(few)
        .when((pl.col("unproven_need") == "meter") & pl.col("is_partly_fed")).then(pl.lit(PARTLY_FED))
        .when(pl.col("meter_why_not").is_not_null()).then(missing.str.replace(NO_METER, file, literal=True))
        .otherwise(missing)
    )  # fmt: skip


def add_verdicts(scores: pl.DataFrame, prior: Prior, settings: VerdictSettings) -> pl.DataFrame:
    """Return the scores with every home's `verdict`, `ct_verdict` and, where unproven, `unproven_why`, `unproven_need`.

    A suspected loose neutral is a safety call whatever else is said of the home; `ct_verdict` then still is what the
    likelihood of a CT fault is called, and elsewhere the same as `verdict`.

    `unproven_need` is one of NEEDS: what would settle it. `scores` has null likelihoods for homes without rows: they
    keep the prior's, and its likeliest fault. A home with a `contradiction` is never sound: it is a suspect, or
    unproven with the contradicting number first. A home with one, or with all it needs and no verdict, is settled by
    its site record where that may be the cause, else by a visit; any other by what is missing.
    """
    base_rate, no_rows = prior.base_rate, pl.lit("no rows in the window")
    base = pl.struct(
        *(pl.lit(base_rate * share).alias(name) for name, share in prior.fault_mix.items()),
        pl.lit(1 - base_rate).alias(SOUND),
    )
    is_empty = pl.col("likelihood").is_null()
    if "is_partly_fed" not in scores.columns:
        scores = scores.with_columns(is_partly_fed=pl.lit(False))
    filled = scores.with_columns(
        pl.col("likelihood").fill_null(base_rate),
        pl.col("likely_fault").fill_null(max(prior.fault_mix, key=prior.fault_mix.__getitem__)),
        pl.col("record_likelihood", "nights", "coverage_share").fill_null(0),
        pl.col("is_clock_suspect", "is_neutral_suspect").fill_null(False),
        pl.when(is_empty).then(pl.lit("readings")).otherwise("unproven_need").alias("unproven_need"),
        pl.col("evidence").fill_null(no_rows),
        pl.when(is_empty).then(base).otherwise("fault_likelihoods").alias("fault_likelihoods"),
    )
    is_proved = pl.col("unproven_need").is_null() & pl.col("contradiction").is_null()
    with_verdict = filled.with_columns(
        pl.when(pl.col("likelihood") >= settings.suspect).then(pl.lit(SUSPECT))
        .when((pl.col("likelihood") < settings.sound) & is_proved).then(pl.lit(SOUND))
        .otherwise(pl.lit(UNPROVEN))
        .alias("ct_verdict")
    ).with_columns(verdict=pl.when("is_neutral_suspect").then(pl.lit(SAFETY)).otherwise("ct_verdict"))  # fmt: skip
    cause = pl.col("record_cause").replace_strict(
        {code: cause.words for code, cause in CAUSES.items()}, default=None, return_dtype=pl.String
    )
    share = percent_column(pl.col("record_likelihood"))
    is_record = (pl.col("record_likelihood") >= settings.record) & cause.is_not_null()
    likely_record = (
        pl.when(is_record)
        .then(pl.format("; it may be the site record: {} ({} likely)", cause, share))
        .otherwise(pl.lit(""))
    )
    need, missing = pl.col("unproven_need"), _missing_words(settings)
    is_contradicted = pl.col("contradiction").is_not_null()
    is_young = (need == "nights").fill_null(False)
    contradicted = pl.format(
        "{}{}{}",
        "contradiction",
        likely_record,
        pl.when(is_young).then(pl.format("; {}", missing)).otherwise(pl.lit("")),
    )
    ambiguous = pl.format("evidence for a fault and against it{}", likely_record)
    settled_by = (
        pl.when(is_record & (is_contradicted | need.is_null())).then(pl.lit("record"))
        .when(is_contradicted & ~is_young).then(pl.lit("visit"))
        .otherwise(need.fill_null("visit"))
    )  # fmt: skip
    why = pl.coalesce(contradicted, missing, ambiguous)
    is_unproven = pl.col("ct_verdict") == UNPROVEN
    return with_verdict.with_columns(
        unproven_why=pl.when(is_unproven).then(why), unproven_need=pl.when(is_unproven).then(settled_by)
    ).drop("is_partly_fed")


def ct_scores(scores: pl.DataFrame) -> pl.DataFrame:
    """Return site_scores with `verdict` as the CTs alone are called: a safety call is about no CT and no crew."""
    return scores.with_columns(verdict="ct_verdict")

"""What is said of a home: a safety call; else suspect, sound, or unproven and why."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.core.contract import SAFETY, SOUND, SUSPECT, UNPROVEN
from pipeline.core.percent_text import percent_column
from pipeline.core.setting_sections import VerdictSettings
from pipeline.scoring.innocent import CAUSES


@dataclass(frozen=True)
class Prior:
    """What stands before the data: `base_rate` of any fault, shared as `fault_mix` (sums to 1)."""

    base_rate: float
    fault_mix: Mapping[str, float]


def missing_evidence(settings: VerdictSettings) -> pl.Expr:
    """Return what is missing to call a home sound: nights, or a probe of scale; null if nothing is.

    The sun tells the scale of a CT that sees production, the utility meter that of any. Loads alone don't: a CT
    at the loads that reads half of everything gives the readings of a right one in a smaller home.
    """
    by_sun = pl.col("has_probe") & pl.col("is_declared_upstream").fill_null(False)
    by_meter = (pl.col("meter_share") > 0.5).fill_null(False)
    too_few = pl.format("{} nights of data, {} are needed", pl.col("nights"), pl.lit(settings.min_nights))
    return (
        pl.when(pl.col("nights") < settings.min_nights)
        .then(too_few)
        .when(by_sun | by_meter)
        .then(None)
        .when(pl.col("is_declared_upstream").fill_null(False))
        .then(pl.lit("too few PV ramps and no utility meter: nothing proves the scale"))
        .when(pl.col("is_declared_upstream").is_null())
        .then(pl.lit("no utility meter, and the register doesn't say whether the CTs see the sun"))
        .otherwise(pl.lit("CTs that don't see the sun and no utility meter: nothing proves the scale"))
    )


def add_verdicts(scores: pl.DataFrame, prior: Prior, settings: VerdictSettings) -> pl.DataFrame:
    """Return the scores with every home's `verdict`, `ct_verdict` and, where the CTs are unproven, `unproven_why`.

    A suspected loose neutral is a safety call whatever else is said of the home; `ct_verdict` then still is what the
    likelihood of a CT fault is called, and elsewhere the same as `verdict`.

    `scores` has null likelihoods for homes without rows: they keep the prior's, and its likeliest fault. A home with a
    `contradiction` is never sound: it is a suspect, or unproven with the contradicting number first.
    """
    base_rate, no_rows = prior.base_rate, pl.lit("no rows in the window")
    base = pl.struct(
        *(pl.lit(base_rate * share).alias(name) for name, share in prior.fault_mix.items()),
        pl.lit(1 - base_rate).alias(SOUND),
    )
    is_empty = pl.col("likelihood").is_null()
    filled = scores.with_columns(
        pl.col("likelihood").fill_null(base_rate),
        pl.col("likely_fault").fill_null(max(prior.fault_mix, key=prior.fault_mix.__getitem__)),
        pl.col("record_likelihood", "nights", "coverage_share").fill_null(0),
        pl.col("is_clock_suspect", "is_neutral_suspect").fill_null(False),
        pl.when(is_empty).then(no_rows).otherwise("unproven_why").alias("unproven_why"),
        pl.col("evidence").fill_null(no_rows),
        pl.when(is_empty).then(base).otherwise("fault_likelihoods").alias("fault_likelihoods"),
    )
    is_proved = pl.col("unproven_why").is_null() & pl.col("contradiction").is_null()
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
    likely_record = (
        pl.when(pl.col("record_likelihood") >= settings.record)
        .then(pl.format("; it may be the record: {} ({} likely)", cause, share))
        .otherwise(pl.lit(""))
    )
    contradicted = pl.format("{}{}", pl.col("contradiction"), likely_record)
    ambiguous = pl.format("evidence for a fault and against it{}", likely_record)
    why = pl.coalesce(contradicted, pl.col("unproven_why"), ambiguous)
    return with_verdict.with_columns(unproven_why=pl.when(pl.col("ct_verdict") == UNPROVEN).then(why))


def ct_scores(scores: pl.DataFrame) -> pl.DataFrame:
    """Return site_scores with `verdict` as the CTs alone are called: a safety call is about no CT and no crew."""
    return scores.with_columns(verdict="ct_verdict")

"""Table crew_quality: a row a crew, its counts and rates, each with how sure it is."""

from __future__ import annotations

import numpy as np
import polars as pl

from pipeline.core.binomial_intervals import wilson
from pipeline.core.setting_sections import CrewSettings
from pipeline.crews.estimates import Estimates

WORSE, BETTER = "worse", "better"
SCHEMA = pl.Schema(
    {
        "crew_id": pl.String, "crew_name": pl.String, "installs": pl.Int64, "heard": pl.Int64, "judged": pl.Int64,
        "visited": pl.Int64, "confirmed_faults": pl.Int64, "expected_faults": pl.Float64,
        "expected_low": pl.Float64, "expected_high": pl.Float64, "later_faults": pl.Float64,
        "observed_rate": pl.Float64, "observed_low": pl.Float64, "observed_high": pl.Float64,
        "rate": pl.Float64, "rate_low": pl.Float64, "rate_high": pl.Float64, "fleet_rate": pl.Float64,
        "shrunk_rate": pl.Float64, "shrunk_low": pl.Float64, "shrunk_high": pl.Float64,
        "case_mix_faults": pl.Float64, "ratio": pl.Float64, "ratio_low": pl.Float64, "ratio_high": pl.Float64,
        "fair_rate": pl.Float64, "fair_low": pl.Float64, "fair_high": pl.Float64,
        "worth_installs": pl.Float64, "worth_rate": pl.Float64, "p_value": pl.Float64, "q_value": pl.Float64,
        "is_outside": pl.Boolean, "seen_from": pl.Float64, "stands_out": pl.String,
        "is_ranked": pl.Boolean, "rank": pl.Int64, "top_fault": pl.String,
    }
)  # fmt: skip
# a crew without homes has none, and none expected
_SHOWN_ALWAYS = ("expected_low", "expected_high", "case_mix_faults")
_ALWAYS = ("confirmed_faults", "installs", "heard", "judged", "visited")
_SUMS = ("expected_faults", "later_faults")


def count_installs(homes: pl.DataFrame) -> pl.DataFrame:
    """Return the counts of each crew of `homes` (table crew_home, with `chance`)."""
    unseen = ~pl.col("is_visited")
    return (
        homes.drop_nulls("crew_id")
        .group_by("crew_id", maintain_order=True)
        .agg(
            pl.len().alias("installs"),
            pl.col("is_heard").sum().alias("heard"),
            pl.col("is_judged").sum().alias("judged"),
            pl.col("is_visited").sum().alias("visited"),
            pl.col("is_wrong").fill_null(False).sum().alias("confirmed_faults"),
            pl.col("chance").filter(unseen).sum().alias("expected_faults"),
            pl.col("later").sum().alias("later_faults"),
        )
    )


def quality_table(
    counts: pl.DataFrame, found: Estimates, top_fault: pl.DataFrame, settings: CrewSettings
) -> pl.DataFrame:
    """Return crew_quality (SCHEMA), crews with enough judged installs first, the highest fair rate on top.

    Parameters
    ----------
    counts
        crew_id, crew_name and the counts, sorted as `found` is.
    found
        The estimates by crew.
    top_fault
        crew_id, top_fault.

    Notes
    -----
    `heard` installs have data or a visit that told and are what the rates are over; `judged` have a verdict or such a
    visit. `observed_*` confirmed over visited (Wilson): a rate of where visits went, not of the crew. `rate` over all
    heard. `expected_faults` at homes nobody visited, with the ends of the 95 % interval of their number: each home's
    doubt, and what all likelihoods and the crew's own rate are in doubt of together. `rank` 1 is the lowest fair rate.
    `is_outside` the funnel's 95 % limits, where luck alone puts one crew in twenty; `stands_out` ("worse", "better")
    with many crews allowed for. `seen_from` how many times as often as the fleet such a crew would have to err to lie
    outside in nine of ten cases: below it, not being told apart says little.
    """
    confirmed, visited = (
        counts[name].to_numpy().astype(np.float64) for name in ("confirmed_faults", "visited")
    )
    observed = wilson(confirmed, visited)
    fleet = found.fit.fleet_rate
    worth_rate = np.divide(
        found.worth_faults, found.worth, out=np.full_like(found.worth, np.nan), where=found.worth > 0
    )
    values = {
        "observed_rate": np.divide(
            confirmed, visited, out=np.full_like(confirmed, np.nan), where=visited > 0
        ),
        "observed_low": observed[0], "observed_high": observed[1],
        "rate": found.rate.value, "rate_low": found.rate.low, "rate_high": found.rate.high,
        "shrunk_rate": found.shrunk.mean, "shrunk_low": found.shrunk.low, "shrunk_high": found.shrunk.high,
        "expected_low": found.unseen.low, "expected_high": found.unseen.high, "case_mix_faults": found.expected,
        "ratio": found.ratio.value, "ratio_low": found.ratio.low, "ratio_high": found.ratio.high,
        "fair_rate": found.fair.mean, "fair_low": found.fair.low, "fair_high": found.fair.high,
        "worth_installs": found.worth, "worth_rate": worth_rate,
        "p_value": found.p_value, "q_value": found.q_value, "seen_from": found.seen_from,
    }  # fmt: skip
    is_ranked = pl.col("judged") >= settings.min_judged
    has_homes, has_visits = pl.col("heard") > 0, pl.col("visited") > 0
    is_worse = pl.col("worth_rate") > fleet
    table = (
        counts.with_columns(pl.Series(name, array).fill_nan(None) for name, array in values.items())
        .with_columns(
            pl.when(has_visits if name.startswith("observed") else has_homes).then(pl.col(name)).alias(name)
            for name in values
            if name not in _SHOWN_ALWAYS
        )
        .with_columns(pl.lit(fleet).alias("fleet_rate"), is_ranked.alias("is_ranked"))
        .with_columns(
            (is_ranked & (pl.col("p_value") < settings.limit_alpha)).fill_null(False).alias("is_outside"),
            pl.when(is_ranked & (pl.col("q_value") < settings.false_discovery))
            .then(pl.when(is_worse).then(pl.lit(WORSE)).otherwise(pl.lit(BETTER)))
            .alias("stands_out"),
            pl.when(is_ranked).then(pl.col("fair_rate")).rank("min").cast(pl.Int64).alias("rank"),
        )
        .join(top_fault, on="crew_id", how="left")
    )
    return table.select(pl.col(name).cast(kind) for name, kind in SCHEMA.items()).sort(
        "is_ranked", "fair_rate", "crew_id", descending=[True, True, False], nulls_last=True
    )


def with_names(crews: pl.DataFrame, counts: pl.DataFrame) -> pl.DataFrame:
    """Return a row for each crew of the register and of the homes, with its name and its counts, sorted."""
    return (
        crews.select("crew_id", "crew_name")
        .join(counts, on="crew_id", how="full", coalesce=True)
        .with_columns(pl.col(_ALWAYS).fill_null(0).cast(pl.Int64), pl.col(_SUMS).fill_null(0.0))
        .sort("crew_id")
    )

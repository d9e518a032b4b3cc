"""Table crew_quality: a row a crew, its counts and rates, each with how sure it is."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.binomial_intervals import wilson
from pipeline.core.setting_sections import CrewSettings
from pipeline.crews.estimates import Estimates

Float = NDArray[np.float64]
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
    return (
        homes.drop_nulls("crew_id")
        .group_by("crew_id", maintain_order=True)
        .agg(
            installs=pl.len(), heard=pl.col("is_heard").sum(), judged=pl.col("is_judged").sum(),
            visited=pl.col("is_visited").sum(), confirmed_faults=pl.col("is_wrong").fill_null(False).sum(),
            expected_faults=pl.col("chance").filter(~pl.col("is_visited")).sum(), later_faults=pl.col("later").sum(),
        )
    )  # fmt: skip


def quality_table(
    counts: pl.DataFrame, estimates: Estimates, top_fault: pl.DataFrame, *, settings: CrewSettings
) -> pl.DataFrame:
    """Return crew_quality (SCHEMA), crews with enough judged installs first, the highest fair rate on top.

    Parameters
    ----------
    counts
        crew_id, crew_name and the counts, sorted as `estimates` are.
    estimates
        By crew.
    top_fault
        crew_id, top_fault.
    settings
        Section [crews].

    Notes
    -----
    `heard` installs have data or a visit that says what was found: rates are over them; `judged` have a verdict or such
    a visit. `observed_*` confirmed over visited (Wilson): a rate of where visits went, not of the crew.
    `expected_faults` at homes nobody visited, with the 95 % interval of their number. `rank` 1 is the lowest fair rate.
    `is_outside` the 95 % control limits, where chance alone puts one crew in twenty; `stands_out`
    ("worse", "better") with many crews allowed for. `seen_from` how many times as often as the fleet such a crew would
    have to err to lie outside in nine of ten cases: below it, lying inside says little.
    """
    confirmed, visited = (
        counts[name].to_numpy().astype(np.float64) for name in ("confirmed_faults", "visited")
    )
    observed_low, observed_high = wilson(confirmed, visited)
    fleet = estimates.fit.fleet_rate
    values = {
        "observed_rate": _share(confirmed, visited),
        "observed_low": observed_low, "observed_high": observed_high,
        "rate": estimates.rate.value, "rate_low": estimates.rate.low, "rate_high": estimates.rate.high,
        "shrunk_rate": estimates.shrunk.mean, "shrunk_low": estimates.shrunk.low, "shrunk_high": estimates.shrunk.high,
        "expected_low": estimates.unseen.low, "expected_high": estimates.unseen.high,
        "case_mix_faults": estimates.expected,
        "ratio": estimates.ratio.value, "ratio_low": estimates.ratio.low, "ratio_high": estimates.ratio.high,
        "fair_rate": estimates.fair.mean, "fair_low": estimates.fair.low, "fair_high": estimates.fair.high,
        "worth_installs": estimates.worth, "worth_rate": _share(estimates.worth_faults, estimates.worth),
        "p_value": estimates.p_value, "q_value": estimates.q_value, "seen_from": estimates.seen_from,
    }  # fmt: skip
    is_ranked = pl.col("judged") >= settings.min_judged
    has_homes, has_visits = pl.col("heard") > 0, pl.col("visited") > 0
    side = pl.when(pl.col("worth_rate") > fleet).then(pl.lit(WORSE)).otherwise(pl.lit(BETTER))
    is_flagged = pl.col("q_value") < settings.false_discovery
    return (
        counts.with_columns(pl.Series(name, array).fill_nan(None) for name, array in values.items())
        .with_columns(
            pl.when(has_visits if name.startswith("observed") else has_homes).then(pl.col(name)).alias(name)
            for name in values
            if name not in _SHOWN_ALWAYS
        )
        .with_columns(
            fleet_rate=pl.lit(fleet), is_ranked=is_ranked, stands_out=pl.when(is_ranked & is_flagged).then(side),
            is_outside=(is_ranked & (pl.col("p_value") < settings.limit_alpha)).fill_null(False),
            rank=pl.when(is_ranked).then("fair_rate").rank("min"),
        )
        .join(top_fault, on="crew_id", how="left")
        .select(SCHEMA.names()).cast(SCHEMA)
        .sort("is_ranked", "fair_rate", "crew_id", descending=[True, True, False], nulls_last=True)
    )  # fmt: skip


def _share(part: Float, whole: Float) -> Float:
    """Return part / whole, nan where there is none."""
    return np.divide(part, whole, out=np.full_like(whole, np.nan), where=whole > 0)


def with_names(crews: pl.DataFrame, counts: pl.DataFrame) -> pl.DataFrame:
    """Return a row for each crew of the register and of the homes, with its name and its counts, sorted."""
    return (
        crews.select("crew_id", "crew_name")
        .join(counts, on="crew_id", how="full", coalesce=True)
        .with_columns(pl.col(_ALWAYS).fill_null(0).cast(pl.Int64), pl.col(_SUMS).fill_null(0.0))
        .sort("crew_id")
    )

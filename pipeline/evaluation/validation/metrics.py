"""How good a list is, from scores and truth: ranking, names, false alarms; pure functions on `join_truth`'s homes.

"Found" is to stand within the visits: among the first `visits` homes by likelihood, by default as many as there are
faulty ones (R). Homes may have weights (`truth.reweight`); shares are then shares of weight.
"""

from __future__ import annotations

from typing import Any

import polars as pl

from pipeline.core.binomial_intervals import wilson
from pipeline.core.contract import FAULTS, SOUND
from pipeline.evaluation.validation import calibration
from pipeline.evaluation.validation.truth import PLAIN

FIRST_SHARE = 50 / 2000  # the first 50 of 2,000 homes, and as many of a fleet of another size
ALARM_LIKELIHOOD = 0.5  # a sound home from this likelihood on is a false alarm


def average_precision(homes: pl.DataFrame) -> float:
    """Return the sum over distinct likelihoods of precision times the step in recall; NaN without faulty homes.

    `homes` has likelihood, is_faulty, weight. Equal likelihoods enter together (the step-wise area that has no
    interpolation).
    """
    weight = pl.col("weight")
    hits = (weight * pl.col("is_faulty")).sum()
    steps = homes.group_by("likelihood").agg(weight.sum(), hits=hits).sort("likelihood", descending=True)
    precision = pl.col("hits").cum_sum() / weight.cum_sum()
    return float(steps.select((pl.col("hits") * precision).sum() / pl.col("hits").sum()).item())


def flag_found(homes: pl.DataFrame, visits: int | None = None) -> pl.DataFrame:
    """Return the homes with `is_found`: faulty and among the first `visits` homes (by weight) by likelihood."""
    cut = homes.filter("is_faulty")["weight"].sum() if visits is None else visits
    return homes.sort("rank").with_columns(
        is_found=pl.col("is_faulty") & (pl.col("weight").cum_sum() <= float(cut) + 1e-6)
    )


def compute_metrics(homes: pl.DataFrame, visits: int | None = None) -> dict[str, Any]:
    """Return the metrics of one night of one fleet; shares from 0 to 1, NaN where there is nothing to divide by.

    `homes`, `faulty` of them; `cut` homes are visited; `found_share` of the faulty ones are among them; `named_share`
    and `leg_share` of those found have the right `suspected_fault` and the right leg, `order_named_share`,
    `order_leg_share` the same of what a work order would say (the likeliest fault, also where sound is likelier);
    `first_share` of the first `first` homes are faulty. `average_precision`; `ece` over 20 bins of equally many homes,
    `ece_wide` over 10 bins of equal width, both [share]; `brier`.
    """
    weight, is_found = pl.col("weight"), pl.col("is_found")
    first = max(1, round(FIRST_SHARE * homes.height))
    is_first = weight.cum_sum() <= first + 1e-6

    def share(part: str, whole: pl.Expr) -> pl.Expr:
        return (weight * pl.col(part)).filter(whole).sum() / weight.filter(whole).sum()

    ranked = flag_found(homes, visits)
    counts = ranked.select(
        homes=pl.len(),
        faulty=pl.col("is_faulty").sum(),
        cut=weight.filter("is_faulty").sum().round().cast(pl.Int64) if visits is None else pl.lit(visits),
        average_precision=pl.lit(average_precision(ranked)),
        first=pl.lit(first),
        first_share=share("is_faulty", is_first),
        found_share=share("is_found", pl.col("is_faulty")),
        named_share=share("is_named_right", is_found),
        leg_share=share("is_leg_right", is_found),
        order_named_share=share("is_order_right", is_found),
        order_leg_share=share("is_order_leg_right", is_found),
    )
    likelihoods = ranked.select("likelihood", "weight", is_true="is_faulty")
    return counts.row(0, named=True) | {
        "ece": calibration.calibration_error(calibration.equal_count_bins(likelihoods)),
        "ece_wide": calibration.calibration_error(calibration.equal_width_bins(likelihoods)),
        "brier": calibration.brier_score(likelihoods),
    }


def count_by_fault(homes: pl.DataFrame, visits: int | None = None) -> pl.DataFrame:
    """Return one row a fault: how many, how many found, and of these named right.

    `fault`; `homes`, `found`, `found_share` with its Wilson interval `low`, `high`; `named_share`, `leg_share` of
    those found; `missed_unproven`, `missed_sound` how many of those not found have that verdict.
    Counts are homes, not weights; the visits go by weight.
    """
    is_missed = ~pl.col("is_found")
    table = (
        flag_found(homes, visits)
        .filter("is_faulty")
        .group_by("fault")
        .agg(
            homes=pl.len(),
            found=pl.col("is_found").sum(),
            found_share=pl.col("is_found").mean(),
            named_share=pl.col("is_named_right").filter("is_found").mean(),
            leg_share=pl.col("is_leg_right").filter("is_found").mean(),
            missed_unproven=(is_missed & (pl.col("verdict") == "unproven")).sum(),
            missed_sound=(is_missed & (pl.col("verdict") == SOUND)).sum(),
        )
    )
    order = pl.col("fault").replace_strict(
        dict(zip(FAULTS, range(len(FAULTS)), strict=True)), default=len(FAULTS)
    )
    return _add_interval(table, "found").sort(order, "fault")


def count_false_alarms(homes: pl.DataFrame) -> pl.DataFrame:
    """Return one row a kind of hard negative, and one of plain sound homes: how many are called faulty.

    `kind`, `homes`, `alarms`, `share`, and its Wilson interval `low`, `high`. Faulty homes don't count here.
    """
    sound = homes.filter(~pl.col("is_faulty"))
    is_alarm = pl.col("likelihood") >= ALARM_LIKELIHOOD
    table = sound.group_by(kind=pl.col("hard_negative").fill_null(PLAIN)).agg(
        homes=pl.len(), alarms=is_alarm.sum(), share=is_alarm.mean()
    )
    return _add_interval(table, "alarms").sort(pl.col("kind") == PLAIN, "kind")


def count_names(homes: pl.DataFrame) -> pl.DataFrame:
    """Return how often each truth (rows, with sound) goes by each name (a column a fault, with sound).

    `homes` is the row's sum. A name is right on the diagonal, or on its twin's place (see module truth).
    """
    names = (*FAULTS, SOUND)
    counts = homes.pivot("named", index="fault", values="site_id", aggregate_function="len")
    columns = [name for name in names if name in counts.columns]
    rows = pl.DataFrame({"fault": names}).join(counts, on="fault", how="inner", maintain_order="left")
    return rows.select("fault", pl.sum_horizontal(columns).alias("homes"), pl.col(columns).fill_null(0))


def count_wrong_names(homes: pl.DataFrame) -> pl.DataFrame:
    """Return the wrong names that faulty homes go by, most frequent first: fault, named, homes, of."""
    faulty = homes.filter("is_faulty").with_columns(of=pl.len().over("fault"))
    return (
        faulty.filter(~pl.col("is_named_right"))
        .group_by("fault", "named")
        .agg(homes=pl.len(), of=pl.col("of").first())
        .sort("homes", "fault", "named", descending=[True, False, False])
    )


def _add_interval(table: pl.DataFrame, part: str) -> pl.DataFrame:
    low, high = wilson(*(table[name].cast(pl.Float64).to_numpy() for name in (part, "homes")))
    return table.with_columns(low=pl.Series(low), high=pl.Series(high))

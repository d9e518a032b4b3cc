"""Whether likelihoods hold: Brier's score and Murphy's parts, calibration error, reliability table.

The functions take one row a home: `likelihood`, `is_true` (whether it is so), `weight`.
"""

from __future__ import annotations

import polars as pl

from pipeline.core.binomial_intervals import wilson
from pipeline.core.contract import SOUND

EQUAL_COUNT_BINS, EQUAL_WIDTH_BINS = 20, 10
ANY_FAULT = "any fault"


def equal_count_bins(homes: pl.DataFrame, bins: int = EQUAL_COUNT_BINS) -> pl.DataFrame:
    """Return `bin_means` of `bins` bins of equal weight, homes in order of likelihood."""
    weight = pl.col("weight")
    middle = (weight.cum_sum() - weight / 2) / weight.sum()
    return bin_means(homes.sort("likelihood", maintain_order=True), middle, bins)


def equal_width_bins(homes: pl.DataFrame, bins: int = EQUAL_WIDTH_BINS) -> pl.DataFrame:
    """Return `bin_means` of `bins` bins of equal width of likelihood; a likelihood of 1 falls into the last one."""
    return bin_means(homes, pl.col("likelihood"), bins)


def bin_means(homes: pl.DataFrame, position: pl.Expr, bins: int) -> pl.DataFrame:
    """Return a row a bin with homes, by each home's position from 0 to 1: `bin`, `homes`, `weight`, `said`, `came`.

    `bin` from 0, `homes` a count, `said` the mean likelihood, `came` the share that is true.
    """
    number = (position * bins).cast(pl.Int64).clip(upper_bound=bins - 1)
    weight = pl.col("weight")
    return (
        homes.group_by(bin=number)
        .agg(
            weight.sum(),
            homes=pl.len(),
            said=(weight * pl.col("likelihood")).sum() / weight.sum(),
            came=(weight * pl.col("is_true")).sum() / weight.sum(),
        )
        .sort("bin")
    )


def calibration_error(bins: pl.DataFrame) -> float:
    """Return the expected calibration error: |mean likelihood - share that is true|, weighted over `bin_means`."""
    return _mean(bins, (pl.col("said") - pl.col("came")).abs())


def brier_score(homes: pl.DataFrame) -> float:
    """Return the mean squared difference between likelihood and what is true (Brier 1950, the half score)."""
    return _mean(homes, (pl.col("likelihood") - pl.col("is_true").cast(pl.Float64)) ** 2)


def decompose_brier(bins: pl.DataFrame) -> tuple[float, float, float]:
    """Return reliability, resolution and uncertainty: Brier = reliability - resolution + uncertainty.

    Exact where all likelihoods of a bin are the same (Murphy, J. Appl. Meteor. 12:595, 1973); otherwise each is
    taken as its bin's mean.
    """
    rate = _mean(bins, pl.col("came"))
    reliability = _mean(bins, (pl.col("said") - pl.col("came")) ** 2)
    return reliability, _mean(bins, (pl.col("came") - rate) ** 2), rate * (1 - rate)


def _mean(rows: pl.DataFrame, value: pl.Expr) -> float:
    """Return the weighted mean; NaN without rows."""
    return float(rows.select((pl.col("weight") * value).sum() / pl.col("weight").sum()).item())


def reliability_table(homes: pl.DataFrame) -> pl.DataFrame:
    """Return how often what was said came true, by bins of equal width: one row a (class, bin) with homes.

    `homes` is `join_truth`'s frame; `class` is ANY_FAULT, or a fault: its own likelihood against how often it is that
    fault; `bin` from 0, `homes` (a count), `share` of all weight, `said` the mean likelihood, `came` the share that it
    was so; of `came` the Wilson interval at that number of homes lies in `low`, `high`.
    """
    parts = []
    for name, of_class in _classes(homes).items():
        bins = equal_width_bins(of_class).with_columns(share=pl.col("weight") / pl.col("weight").sum())
        count = bins["homes"].to_numpy().astype(float)
        low, high = wilson(bins["came"].to_numpy() * count, count)
        columns = pl.lit(name).alias("class"), "bin", "homes", "share", "said", "came"
        parts.append(bins.select(*columns, low=pl.Series(low), high=pl.Series(high)))
    return pl.concat(parts)


def calibration_table(homes: pl.DataFrame) -> pl.DataFrame:
    """Return one row a class: ANY_FAULT and each fault's own likelihood.

    `class`, `expected` homes (the sum of likelihoods, by weight), `observed`, `ece` over 20 bins of equally many
    homes, `ece_wide` over 10 of equal width, `brier`, and of it `reliability`, `resolution`, `uncertainty` (over the
    20 bins).
    """
    rows = []
    for name, of_class in _classes(homes).items():
        bins = equal_count_bins(of_class)
        sums = bins.select((pl.col("said", "came") * pl.col("weight")).sum())
        errors = calibration_error(bins), calibration_error(equal_width_bins(of_class))
        rows.append((name, *sums.row(0), *errors, brier_score(of_class), *decompose_brier(bins)))
    columns = "class expected observed ece ece_wide brier reliability resolution uncertainty"
    return pl.DataFrame(rows, schema=columns.split(), orient="row")


def _classes(homes: pl.DataFrame) -> dict[str, pl.DataFrame]:
    """Return class -> likelihood, is_true, weight of each home."""
    shares = homes["fault_likelihoods"].struct
    classes = {ANY_FAULT: homes.select("likelihood", "weight", is_true="is_faulty")}
    for name in shares.fields:
        if name != SOUND:
            is_true = pl.col("fault") == name
            classes[name] = homes.select("weight", likelihood=shares.field(name), is_true=is_true)
    return classes

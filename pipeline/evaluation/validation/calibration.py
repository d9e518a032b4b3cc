"""Whether likelihoods hold: Brier's score and Murphy's parts, calibration error, reliability table."""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.binomial_intervals import wilson
from pipeline.core.contract import SOUND

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
Bins = NDArray[np.int64]
EQUAL_COUNT_BINS, EQUAL_WIDTH_BINS = 20, 10


def equal_count_bins(likelihood: Float, weight: Float, bins: int = EQUAL_COUNT_BINS) -> Bins:
    """Return each home's bin, 0 the least likely: `bins` bins of equal weight, homes in order of likelihood."""
    order = np.argsort(likelihood, kind="stable")
    middle = np.cumsum(weight[order]) - weight[order] / 2
    numbers = np.empty(likelihood.size, dtype=np.int64)
    numbers[order] = np.minimum((middle / max(weight.sum(), 1e-12) * bins).astype(np.int64), bins - 1)
    return numbers


def equal_width_bins(likelihood: Float, bins: int = EQUAL_WIDTH_BINS) -> Bins:
    """Return each home's bin of equal width from 0 to 1; a likelihood of 1 falls into the last one."""
    return np.minimum((likelihood * bins).astype(np.int64), bins - 1)


def calibration_error(likelihood: Float, is_true: Bool, weight: Float, *, bins: Bins) -> float:
    """Return the expected calibration error: |mean likelihood - share that is true|, weighted over the bins.

    Parameters
    ----------
    likelihood, is_true, weight
        Shape (n,), a home each.
    bins
        Shape (n,): each home's bin, from 0.
    """
    size = np.bincount(bins, weight)
    gap = np.abs(np.bincount(bins, weight * likelihood) - np.bincount(bins, weight * is_true))
    return float(gap.sum() / size.sum()) if size.sum() > 0 else float("nan")


def brier_score(likelihood: Float, is_true: Bool, weight: Float) -> float:
    """Return the mean squared difference between likelihood and what is true (Brier 1950, the half score)."""
    return (
        float(np.average((likelihood - is_true) ** 2, weights=weight)) if weight.sum() > 0 else float("nan")
    )


def decompose_brier(
    likelihood: Float, is_true: Bool, weight: Float, *, bins: Bins
) -> tuple[float, float, float]:
    """Return reliability, resolution and uncertainty: Brier = reliability - resolution + uncertainty.

    Exact where all likelihoods of a bin are the same (Murphy, J. Appl. Meteor. 12:595, 1973); otherwise each is
    taken as its bin's mean.

    Parameters
    ----------
    likelihood, is_true, weight
        Shape (n,), a home each.
    bins
        Shape (n,): each home's bin, from 0.
    """
    size, said, came = _bin_means(likelihood, is_true, weight, bins)
    rate = float(np.average(is_true, weights=weight))
    reliability = float((size * (said - came) ** 2).sum() / size.sum())
    resolution = float((size * (came - rate) ** 2).sum() / size.sum())
    return reliability, resolution, rate * (1 - rate)


def _bin_means(likelihood: Float, is_true: Bool, weight: Float, bins: Bins) -> tuple[Float, Float, Float]:
    """Return of each bin with homes, in order: weight, mean likelihood, share that is true."""
    size = np.bincount(bins, weight)
    has_homes = size > 0
    said, came = (np.bincount(bins, weight * part)[has_homes] for part in (likelihood, is_true))
    return size[has_homes], said / size[has_homes], came / size[has_homes]


def reliability_table(homes: pl.DataFrame) -> pl.DataFrame:
    """Return how often what was said came true, by bins of equal width: one row a (class, bin) with homes.

    `class` is "any fault", or a fault: its own likelihood against how often it is that fault; `bin` from 0,
    `homes` (a count), `share` of all weight, `said` the mean likelihood, `came` the share that it was so; of `came`
    the Wilson interval at that number of homes lies in `low`, `high`.
    """
    weight = homes["weight"].to_numpy()
    parts = []
    for name, (likelihood, is_true) in _classes(homes).items():
        bins = equal_width_bins(likelihood)
        size, said, came = _bin_means(likelihood, is_true, weight, bins)
        numbers, count = np.unique(bins, return_counts=True)
        low, high = wilson(came * count, count.astype(np.float64))
        columns = {"bin": numbers, "homes": count, "share": size / size.sum(), "said": said, "came": came}
        parts.append(
            pl.DataFrame({**columns, "low": low, "high": high}).select(pl.lit(name).alias("class"), pl.all())
        )
    return pl.concat(parts)


def calibration_table(homes: pl.DataFrame) -> pl.DataFrame:
    """Return one row a class: "any fault" and each fault's own likelihood.

    `class`, `expected` homes (the sum of likelihoods, by weight), `observed`, `ece` over 20 bins of equally many
    homes, `ece_wide` over 10 of equal width, `brier`, and of it `reliability`, `resolution`, `uncertainty` (over the
    20 bins).
    """
    weight = homes["weight"].to_numpy()
    rows = []
    for name, (likelihood, is_true) in _classes(homes).items():
        equal_count, equal_width = equal_count_bins(likelihood, weight), equal_width_bins(likelihood)
        reliability, resolution, uncertainty = decompose_brier(likelihood, is_true, weight, bins=equal_count)
        rows.append({
            "class": name,
            "expected": float((weight * likelihood).sum()),
            "observed": float((weight * is_true).sum()),
            "ece": calibration_error(likelihood, is_true, weight, bins=equal_count),
            "ece_wide": calibration_error(likelihood, is_true, weight, bins=equal_width),
            "brier": brier_score(likelihood, is_true, weight),
            "reliability": reliability, "resolution": resolution, "uncertainty": uncertainty,
        })  # fmt: skip
    return pl.DataFrame(rows)


def _classes(homes: pl.DataFrame) -> dict[str, tuple[Float, Bool]]:
    """Return class -> its likelihood at each home, and where it is the truth."""
    shares = homes["fault_likelihoods"].struct
    classes = {"any fault": (homes["likelihood"].to_numpy(), homes["is_faulty"].to_numpy())}
    for name in shares.fields:
        if name != SOUND:
            classes[name] = shares.field(name).to_numpy(), (homes["fault"] == name).to_numpy()
    return classes

"""Whether likelihoods are what they say: Brier's score and Murphy's parts, calibration error, reliability table."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.binomial_intervals import wilson
from pipeline.core.contract import SOUND

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
Bins = NDArray[np.int64]
EVEN_BINS = 20  # of equally many homes
WIDE_BINS = 10  # of equal width, for the picture


def even_bins(likelihood: Float, weight: Float, bins: int) -> Bins:
    """Return each home's bin, 0 the least likely: `bins` bins of equal weight, homes in order of likelihood."""
    order = np.argsort(likelihood, kind="stable")
    middle = np.cumsum(weight[order]) - weight[order] / 2
    found = np.empty(likelihood.size, dtype=np.int64)
    found[order] = np.minimum((middle / max(weight.sum(), 1e-12) * bins).astype(np.int64), bins - 1)
    return found


def wide_bins(likelihood: Float, bins: int) -> Bins:
    """Return each home's bin of equal width from 0 to 1; a likelihood of 1 falls into the last one."""
    return np.minimum((likelihood * bins).astype(np.int64), bins - 1)


def calibration_error(likelihood: Float, happened: Bool, weight: Float, bins: Bins) -> float:
    """Return the expected calibration error: |mean likelihood - share that happened|, weighted over the bins."""
    size = np.bincount(bins, weight)
    gap = np.abs(np.bincount(bins, weight * likelihood) - np.bincount(bins, weight * happened))
    return float(gap.sum() / size.sum()) if size.sum() > 0 else float("nan")


def brier(likelihood: Float, happened: Bool, weight: Float) -> float:
    """Return the mean squared difference between likelihood and what happened (Brier 1950, the half score)."""
    return (
        float(np.average((likelihood - happened) ** 2, weights=weight)) if weight.sum() > 0 else float("nan")
    )


def murphy(likelihood: Float, happened: Bool, weight: Float, bins: Bins) -> tuple[float, float, float]:
    """Return reliability, resolution and uncertainty: Brier = reliability - resolution + uncertainty.

    Exact where all likelihoods of a bin are the same (Murphy, J. Appl. Meteor. 12:595, 1973); otherwise each is
    taken as its bin's mean.
    """
    size = np.bincount(bins, weight)
    kept, total = size > 0, size.sum()
    said = np.bincount(bins, weight * likelihood)[kept] / size[kept]
    came = np.bincount(bins, weight * happened)[kept] / size[kept]
    rate = float(np.average(happened, weights=weight))
    reliability = float((size[kept] * (said - came) ** 2).sum() / total)
    resolution = float((size[kept] * (came - rate) ** 2).sum() / total)
    return reliability, resolution, rate * (1 - rate)


def reliability(judged: pl.DataFrame, bins: int = WIDE_BINS) -> pl.DataFrame:
    """Return how often what was said came true, by bins of equal width: one row a (class, bin) with homes.

    `class` is "any fault", or a fault: its own likelihood against how often it is that fault; `bin` from 0,
    `homes` (a count), `share` of all weight, `said` the mean likelihood, `came` the share that it was so; of `came`
    the Wilson interval at that number of homes lies in `low`, `high`.
    """
    weight = judged["weight"].to_numpy()
    parts = []
    for name, likelihood, happened in _classes(judged):
        at = wide_bins(likelihood, bins)
        size = np.bincount(at, weight, bins)
        count = np.bincount(at, minlength=bins)
        kept = count > 0
        came = np.bincount(at, weight * happened, bins)[kept] / size[kept]
        low, high = wilson(came * count[kept], count[kept].astype(np.float64))
        parts.append(
            pl.DataFrame(
                {
                    "class": [name] * int(kept.sum()),
                    "bin": np.flatnonzero(kept),
                    "homes": count[kept],
                    "share": size[kept] / size.sum(),
                    "said": np.bincount(at, weight * likelihood, bins)[kept] / size[kept],
                    "came": came,
                    "low": low,
                    "high": high,
                }
            )
        )
    return pl.concat(parts)


def calibration(judged: pl.DataFrame) -> pl.DataFrame:
    """Return one row a class: "any fault" and each fault's own likelihood.

    `class`, `expected` homes (the sum of likelihoods, by weight), `observed`, `ece` over 20 bins of equally many
    homes, `ece_wide` over 10 of equal width, `brier`, and of it `reliability`, `resolution`, `uncertainty` (over the
    20 bins).
    """
    weight = judged["weight"].to_numpy()
    rows = []
    for name, likelihood, happened in _classes(judged):
        even = even_bins(likelihood, weight, EVEN_BINS)
        wide = wide_bins(likelihood, WIDE_BINS)
        parts = murphy(likelihood, happened, weight, even)
        rows.append(
            {
                "class": name,
                "expected": float((weight * likelihood).sum()),
                "observed": float((weight * happened).sum()),
                "ece": calibration_error(likelihood, happened, weight, even),
                "ece_wide": calibration_error(likelihood, happened, weight, wide),
                "brier": brier(likelihood, happened, weight),
                **dict(zip(("reliability", "resolution", "uncertainty"), parts, strict=True)),
            }
        )
    return pl.DataFrame(rows)


def _classes(judged: pl.DataFrame) -> Sequence[tuple[str, Float, Bool]]:
    shares = judged["fault_likelihoods"].struct
    whole = ("any fault", judged["likelihood"].to_numpy(), judged["is_faulty"].to_numpy())
    return [
        whole,
        *(
            (name, shares.field(name).to_numpy(), (judged["fault"] == name).to_numpy())
            for name in shares.fields
            if name != SOUND
        ),
    ]

"""What a leg that was not seen takes beside the other leg, read from homes where both legs are right.

240 V loads take from both legs at once, all others from one, so how much a leg takes depends on how much the other one
does, and on the hour: loads by part of the day and by the other leg's load, in bins. A bin's mean is the estimate and
its quantiles the interval, each home weighing alike. How far homes lie from the mean over all their rows is the error
that all rows of a home share.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.quantiles import Z95
from pipeline.core.services import SERVICES
from pipeline.correction.raw_readings import with_raw

Float = NDArray[np.float64]
DAYPARTS = 4  # of six hours by the sun
BINS = 8  # of the other leg's load, by its quantiles
LEAST_HOMES = 8  # with fewer right homes nothing is said by the other leg
BLOCK, LEAST_BLOCKS = "2d", 7  # a home's own right days, in blocks as if each were a home
ROWS_A_HOME = 2000
ENDS = np.array([0.025, 0.975])
_THREE_LINES = [name for name, service in SERVICES.items() if service.line_count > 2]


@dataclass(frozen=True)
class Pairs:
    """How one leg's load goes with the other's.

    `edges` (BINS - 1,) [W] part the other leg's load; `mean`, `low`, `high`, `scatter` (DAYPARTS, BINS) [W]: mean, 2.5
    and 97.5 % quantile, and standard deviation within homes. Standard deviations as a share of the mean:
    `between_share` of how far a home lies off over all its rows, `drift_share` of how far its two halves lie apart.
    """

    edges: Float
    mean: Float
    low: Float
    high: Float
    scatter: Float
    between_share: float
    drift_share: float


def right_loads(rows: pl.DataFrame) -> pl.DataFrame:
    """Return `site_id`, `interval_start`, `daypart` and the legs' loads `load_l1`, `load_l2` [W] of right homes.

    Of a home with three lines nothing is said: which of them production feeds isn't of the record.

    `rows` as `raw_readings.with_raw` takes them, beside `longitude`.
    """
    half = pl.col("seen") / 2
    two = rows.filter(~pl.col("service").is_in(_THREE_LINES).fill_null(False))
    return (
        with_raw(two)
        .select(
            "site_id", "interval_start", daypart=daypart(), load_l1=pl.col("raw_l1") + half,
            load_l2=pl.col("raw_l2") + half,
        )
        .drop_nulls()
    )  # fmt: skip


def daypart() -> pl.Expr:
    """Return which six hours of the sun's day a row lies in, 0 from midnight."""
    time = pl.col("interval_start")
    hours = time.dt.hour() + time.dt.minute() / 60 + pl.col("longitude").fill_null(0.0) / 15
    return ((hours % 24) / (24 / DAYPARTS)).floor().cast(pl.Int64).clip(0, DAYPARTS - 1)


def fit_pairs(loads: pl.DataFrame) -> Pairs | None:
    """Return how the legs' loads go together in these homes, or None where they are too few.

    Each home counts both ways round (which leg is called L1 means nothing) and weighs alike.
    """
    if loads["site_id"].n_unique() < LEAST_HOMES:
        return None
    every = pl.max_horizontal(1, pl.len().over("site_id") // ROWS_A_HOME)
    thinned = loads.filter(pl.int_range(pl.len()).over("site_id") % every == 0)
    ways = [
        thinned.select(
            "daypart", home=pl.format("{} {}", "site_id", pl.lit(leg)), load=f"load_{leg}", other=f"load_{other}",
            is_late=(pl.col("interval_start") > pl.col("interval_start").median()).over("site_id"),
        )
        for leg, other in (("l1", "l2"), ("l2", "l1"))
    ]  # fmt: skip
    return _fit(pl.concat(ways))


def fit_home_pairs(loads: pl.DataFrame, leg: str, drift_share: float) -> Pairs | None:
    """Return how `leg` goes with the other one in one home while both were right; None without LEAST_BLOCKS of BLOCK.

    `drift_share` is how far homes drift apart from themselves over a season (of `fit_pairs`): no home's error is less.
    """
    other = "l2" if leg == "l1" else "l1"
    blocks = loads.select(
        "daypart", home=pl.col("interval_start").dt.truncate(BLOCK).cast(pl.String), load=f"load_{leg}",
        other=f"load_{other}", is_late=(pl.col("interval_start") > pl.col("interval_start").median()),
    )  # fmt: skip
    if blocks["home"].n_unique() < LEAST_BLOCKS:
        return None
    found = _fit(blocks)
    few = found.between_share / blocks["home"].n_unique() ** 0.5
    return replace(found, between_share=float(np.hypot(max(drift_share, found.drift_share), few)))


def _fit(ways: pl.DataFrame) -> Pairs:
    """Return the pairs of rows `home`, `daypart`, `load`, `other`, `is_late`; each home weighs alike."""
    weight = ways.select(1 / pl.len().over("home")).to_series().to_numpy()
    other, load, part = (ways[name].to_numpy() for name in ("other", "load", "daypart"))
    home, is_late = ways["home"].rank("dense").to_numpy() - 1, ways["is_late"].to_numpy()
    edges = _quantiles(other, weight, np.linspace(0, 1, BINS + 1)[1:-1])
    cell = part * BINS + np.searchsorted(edges, other)
    cells = DAYPARTS * BINS
    sums = np.bincount(cell, weight, cells)
    whole = np.average(load, weights=weight), *_quantiles(load, weight, ENDS)
    mean, low, high = (np.full(cells, value) for value in whole)
    for place in np.flatnonzero(sums):
        inside = cell == place
        mean[place] = np.average(load[inside], weights=weight[inside])
        low[place], high[place] = _quantiles(load[inside], weight[inside], ENDS)
    share = _shares(home, load, mean[cell])
    halves = (_shares(home[half], load[half], mean[cell][half]) for half in (is_late, ~is_late))
    early, late = (np.pad(half, (0, len(share) - len(half))) for half in halves)
    residual = load - mean[cell] * (1 + share[home])
    scatter = np.sqrt(np.bincount(cell, weight * residual**2, cells) / np.maximum(sums, 1e-12))
    between, drift = (_spread(off) for off in (share, (early - late) / 2**0.5))
    shape = (DAYPARTS, BINS)
    return Pairs(
        edges=edges, mean=mean.reshape(shape), low=low.reshape(shape), high=high.reshape(shape),
        scatter=scatter.reshape(shape), between_share=between, drift_share=drift,
    )  # fmt: skip


def _spread(shares: Float) -> float:
    """Return the standard deviation of shares around 0, or the one by which 95 % are reached if that is more.

    A home with an array of which nobody knows lies anywhere: no share counts for more than 1.
    """
    kept = np.clip(shares, -1.0, 1.0)
    return float(max(np.sqrt(np.mean(kept**2)), np.quantile(np.abs(kept), 0.95) / Z95))


def _shares(home: NDArray[np.int64], load: Float, expected: Float) -> Float:
    """Return how far each home's sum of loads lies from what is expected of it, as a share of that."""
    sums = np.bincount(home, expected)
    shares: Float = np.bincount(home, load) / np.where(sums > 0, sums, np.inf) - 1
    return np.where(sums > 0, shares, 0.0)


def _quantiles(values: Float, weight: Float, shares: Float) -> Float:
    order = np.argsort(values, kind="stable")
    cumulated = np.cumsum(weight[order])
    return np.asarray(
        values[order][np.searchsorted(cumulated, shares * cumulated[-1]).clip(0, len(order) - 1)]
    )


def expected_leg(rows: pl.DataFrame, pairs: Pairs, leg: str) -> dict[str, pl.Series]:
    """Return the raw reading [W] of a leg that wasn't seen, by the other one: value, low, high, common, scatter.

    `rows` have ADDED of `raw_readings` and `longitude`. Null where the other leg or a battery is unknown. `common` and
    `scatter` are standard deviations of what errs alike in all rows, and row by row.
    """
    other = "l2" if leg == "l1" else "l1"
    half = rows["seen"] / 2
    load = rows[f"raw_{other}"] + half
    known = load.is_not_null() & load.is_not_nan()
    place = (
        rows.select(daypart()).to_series().to_numpy(),
        np.searchsorted(pairs.edges, load.fill_null(0.0).to_numpy()),
    )

    def column(values: Float) -> pl.Series:
        return pl.select(pl.when(known).then(pl.Series(values[place]))).to_series()

    mean = column(pairs.mean)
    return {
        "value": mean - half, "low": column(pairs.low) - half, "high": column(pairs.high) - half,
        "common": mean * pairs.between_share, "scatter": column(pairs.scatter),
    }  # fmt: skip

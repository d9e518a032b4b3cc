"""How good the list is: what visits found against the likelihoods it promised, month by month.

If the likelihoods hold, the number of faults found in n visits is Poisson-binomial: a sum of n draws, each with its own
chance. A month has drifted when what was found lies in the tails of that, by an exact two-sided test (twice the smaller
tail). Months are tested together by Holm's rule (Scand. J. Statist. 6:65, 1979), so that a fleet without drift
sees no flag at all with at least 1 - [hit_rate] alpha at any one look; all months together are tested beside them.
Every night is a look: over half a year of them more fleets without drift see one, by simulation one in ten.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import stats

from pipeline.core.binomial_intervals import wilson
from pipeline.core.multiple_tests import holm
from pipeline.core.setting_sections import HitRateSettings
from pipeline.worklist.fix_success import WAYS
from pipeline.worklist.prediction_log import OTHER_CAUSE

Float = NDArray[np.float64]

# month: "2026-06", null for all together. visits: those that test a promise; others: another cause found, left out;
# promised: sum of their likelihoods; rate, rate_low, rate_high: hits / visits with Wilson's 95 % interval; hits_low,
# hits_high: between which the hits lie with 1 - alpha if the promises hold; drift: "too few", "too many" or null;
# named_right: hits whose fault was the promised one.
SCHEMA = pl.Schema(
    {
        "fix_by": pl.String, "month": pl.String, "visits": pl.Int64, "others": pl.Int64,
        "promised": pl.Float64, "hits": pl.Int64, "rate": pl.Float64, "rate_low": pl.Float64,
        "rate_high": pl.Float64, "hits_low": pl.Int64, "hits_high": pl.Int64, "p_value": pl.Float64,
        "drift": pl.String, "named_right": pl.Int64,
    }
)  # fmt: skip
TOO_FEW, TOO_MANY = "too few", "too many"


def hit_rate(promise: pl.DataFrame, settings: HitRateSettings) -> pl.DataFrame:
    """Return table hit_rate (SCHEMA): for trucks and for the desk, all together and then month by month.

    `promise` is the table of that name. A way of fixing without a visit that tests a promise has no rows.
    """
    rows = []
    for way in WAYS:
        visits = promise.filter(pl.col("fix_by") == way)
        if visits.filter(pl.col("left_out").is_null()).is_empty():
            continue
        months = visits.sort("month").partition_by("month", maintain_order=True)
        counts = [_counts(part, settings) | {"month": part["month"][0]} for part in months]
        flags = holm([row["p_value"] for row in counts], settings.alpha)
        total = _counts(visits, settings)
        rows.append(total | {"is_flagged": total["p_value"] <= settings.alpha})
        rows += [row | {"is_flagged": flag} for row, flag in zip(counts, flags, strict=True)]
    if not rows:
        return pl.DataFrame(schema=SCHEMA)
    table = pl.DataFrame(rows, schema_overrides={"month": pl.String}, infer_schema_length=None)
    low, high = wilson(*(table[name].to_numpy().astype(np.float64) for name in ("hits", "visits")))
    side = pl.when(pl.col("hits") < pl.col("promised")).then(pl.lit(TOO_FEW)).otherwise(pl.lit(TOO_MANY))
    has_visits = pl.col("visits") > 0
    return table.with_columns(
        drift=pl.when("is_flagged").then(side),
        rate=pl.when(has_visits).then(pl.col("hits") / pl.col("visits")),
        rate_low=pl.when(has_visits).then(pl.Series(low)),
        rate_high=pl.when(has_visits).then(pl.Series(high)),
    ).select(SCHEMA.names()).cast(SCHEMA)  # fmt: skip


def _counts(visits: pl.DataFrame, settings: HitRateSettings) -> dict[str, Any]:
    tested = visits.filter(pl.col("left_out").is_null())
    likelihoods, hits = tested["likelihood"].to_numpy(), int(tested["is_hit"].sum())
    low, high = hits_interval(likelihoods, settings)
    return {
        "fix_by": visits["fix_by"][0], "month": None, "visits": tested.height,
        "others": visits.filter(pl.col("left_out") == OTHER_CAUSE).height,
        "promised": float(likelihoods.sum()), "hits": hits, "hits_low": low, "hits_high": high,
        "p_value": drift_p(likelihoods, hits, settings.surest),
        "named_right": int(tested["is_named_right"].fill_null(False).sum()),
    }  # fmt: skip


def hits_interval(likelihoods: Float, settings: HitRateSettings) -> tuple[int, int]:
    """Return the fewest and the most hits that aren't in a tail of [hit_rate] alpha / 2 or less."""
    counts, tails = range(likelihoods.size + 1), _tails(likelihoods, settings.surest)
    few, many = (bisect_right(counts, settings.alpha / 2, key=tail) for tail in tails)
    return few, likelihoods.size - many


def drift_p(likelihoods: Float, hits: int, surest: float) -> float:
    """Return how likely it is to be off by so much or more if the likelihoods hold: twice the smaller tail."""
    at_most, missed_at_most = _tails(likelihoods, surest)
    return float(min(1.0, 2 * min(at_most(hits), missed_at_most(likelihoods.size - hits))))


def _tails(likelihoods: Float, surest: float) -> list[Callable[[int], float]]:
    """Return what gives the chance of at most so many hits, and of at most so many misses, if the likelihoods hold.

    Records are wrong now and then, so a promise counts as no surer than `surest`, either way. The visit that is added
    and surely neither hits nor misses is for a month without any.
    """
    chances = np.minimum(likelihoods, surest), np.minimum(1 - likelihoods, surest)
    # by cdf alone: ppf takes at most 63 likelihoods, and a frozen distribution three times as long
    return [partial(stats.poisson_binom.cdf, p=np.append(each, 0.0)) for each in chances]

"""Where the list should be cut: net benefit against threshold, from the likelihoods and the fleet's own costs.

    net benefit = true positives / n - false positives / n x threshold / (1 - threshold)

in true visits a home (Vickers & Elkin, Med. Decis. Making 26:565, 2006). A threshold t says that a needless visit
weighs t / (1 - t) times what a true one brings; the threshold that is right for a fleet is therefore no choice but
follows from its costs. Calibrated likelihoods give the curve before anybody went: of the homes above t, the sum of
likelihoods are expected to be faulty. What visits found is drawn beside it where there are enough.

Homes differ in what they are worth, so each has a break-even of its own (`worth.break_even`), and the list goes by
those; the fleet's is the one number that would do best if all had to share one.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import stats

from pipeline.core.contract import SOUND
from pipeline.core.setting_sections import HitRateSettings
from pipeline.worklist.fix_success import WAYS

Float = NDArray[np.float64]
Amount = TypeVar("Amount", float, Float)

THRESHOLDS: Float = np.arange(1, 100) / 100
# model, visit_all: expected over all homes; promised, confirmed: over the visited ones, null where they are too few;
# visited: how many; confirmed_low, confirmed_high: 95 % interval. Visiting nobody is 0 throughout.
CURVE = pl.Schema(
    {
        "threshold": pl.Float64, "model": pl.Float64, "visit_all": pl.Float64, "visited": pl.Int64,
        "promised": pl.Float64, "confirmed": pl.Float64, "confirmed_low": pl.Float64,
        "confirmed_high": pl.Float64,
    }
)  # fmt: skip
# One row a way of fixing. needless_cost, true_value: currency a needless and a true visit, true_value net of going;
# threshold: null where going doesn't pay; *_listed: of the list as it is, *_shared: of all homes above the threshold.
CUT = pl.Schema(
    {
        "fix_by": pl.String, "homes": pl.Int64, "needless_cost": pl.Float64, "true_value": pl.Float64,
        "threshold": pl.Float64, "listed": pl.Int64, "expected_true": pl.Float64, "value_listed": pl.Float64,
        "net_benefit_listed": pl.Float64, "value_shared": pl.Float64,
    }
)  # fmt: skip


def net_benefit(true: Amount, false: Amount, homes: int, threshold: Amount) -> Amount:
    """Return net benefit [true visits a home] of that many true and false positives among `homes`, broadcast."""
    return true / homes - false / homes * threshold / (1 - threshold)


def expected_curve(likelihoods: Float, thresholds: Float) -> tuple[Float, Float]:
    """Return net benefit of visiting all homes from each threshold on, and of visiting all homes, (k,) each.

    `likelihoods` (n,) are calibrated, n at least 1; a home at the threshold is visited.
    """
    rising = np.sort(likelihoods)
    true_below = np.concatenate([[0.0], np.cumsum(rising)])
    at = np.searchsorted(rising, thresholds, side="left")
    true = true_below[-1] - true_below[at]
    false = (rising.size - at) - true
    every = np.full(thresholds.size, true_below[-1])
    return (
        net_benefit(true, false, rising.size, thresholds),
        net_benefit(every, rising.size - every, rising.size, thresholds),
    )


def confirmed_curve(likelihoods: Float, is_hit: NDArray[np.bool_], thresholds: Float) -> tuple[Float, Float]:
    """Return net benefit among visited homes by what was found, and its standard error, (k,) each.

    `likelihoods` promised before the visit (n,) and whether it found a fault (n,), n at least 2.
    """
    is_above = likelihoods[:, None] >= thresholds[None, :]
    brings = np.where(is_hit[:, None], 1.0, -thresholds / (1 - thresholds)) * is_above
    return brings.mean(axis=0), brings.std(axis=0, ddof=1) / np.sqrt(likelihoods.size)


def decision_curve(worth: pl.DataFrame, promise: pl.DataFrame, own: HitRateSettings) -> pl.DataFrame:
    """Return table decision_curve (CURVE) of truck visits; no rows without homes.

    Parameters
    ----------
    worth
        Table worth of the night; every home whose likeliest fault takes a visit counts.
    promise
        Table promise; the visits of it that test a promise are the confirmed ones.
    own
        [hit_rate] min_visits, below which visits confirm nothing.
    """
    homes = worth.filter(pl.col("fix_by") == "visit")["likelihood"].to_numpy()
    if not homes.size:
        return pl.DataFrame(schema=CURVE)
    model, visit_all = expected_curve(homes, THRESHOLDS)
    tested = promise.filter((pl.col("fix_by") == "visit") & pl.col("left_out").is_null())
    curve = pl.DataFrame({"threshold": THRESHOLDS, "model": model, "visit_all": visit_all}).with_columns(
        pl.lit(tested.height).alias("visited")
    )
    if tested.height >= max(own.min_visits, 2):
        promised = tested["likelihood"].to_numpy()
        found, se = confirmed_curve(promised, tested["is_hit"].to_numpy(), THRESHOLDS)
        reach = float(stats.norm.ppf(0.975)) * se
        curve = curve.with_columns(
            pl.Series("promised", expected_curve(promised, THRESHOLDS)[0]),
            pl.Series("confirmed", found),
            pl.Series("confirmed_low", found - reach),
            pl.Series("confirmed_high", found + reach),
        )
    told = [pl.col(name) if name in curve.columns else pl.lit(None).alias(name) for name in CURVE.names()]
    return curve.select(told).select(pl.col(name).cast(kind) for name, kind in CURVE.items())


def list_cut(worth: pl.DataFrame, listed: pl.DataFrame) -> pl.DataFrame:
    """Return table list_cut (CUT): for trucks and for the desk, what the fleet's costs make of its list.

    Parameters
    ----------
    worth
        Table worth of the night.
    listed
        The homes on the list: site_id.

    Notes
    -----
    A needless and a true visit are priced as the homes in question (not called sound) have them on average, the true
    one weighed with the likelihoods: threshold = needless / (needless + true). `net_benefit_listed` is that of the list
    at this threshold. `value_listed` [currency] is the expected value of the list, `value_shared` that of all homes in
    question above the one threshold: the difference is what thresholds of their own are worth, less what the list holds
    back (homes with few nights, homes with a visit behind them).
    """
    is_on = pl.col("site_id").is_in(listed["site_id"].to_list())
    homes = worth.with_columns(is_on.alias("is_on"))
    rows = [_cut(way, homes.filter(pl.col("fix_by") == way)) for way in WAYS]
    return pl.DataFrame(rows, schema=CUT)


def _cut(way: str, homes: pl.DataFrame) -> dict[str, str | int | float | None]:
    asked = homes.filter((pl.col("verdict") != SOUND) | pl.col("is_on"))
    p = asked["likelihood"].to_numpy()
    cost, true = asked["value_cost"].to_numpy(), asked["value_true"].to_numpy()
    needless = asked["needless_cost"].to_numpy()
    priority, is_on = asked["priority"].to_numpy(), asked["is_on"].to_numpy()
    row: dict[str, str | int | float | None] = {
        "fix_by": way, "homes": homes.height, "listed": int(is_on.sum()),
        "expected_true": float(p[is_on].sum()), "value_listed": float(priority[is_on].sum()),
    }  # fmt: skip
    if not p.sum():
        return row
    costs, brings = float(needless.mean()), float((p * (true - cost)).sum() / p.sum())
    row |= {"needless_cost": costs, "true_value": brings}
    if brings <= 0:
        return row
    cut = costs / (costs + brings)
    on = p[is_on]
    benefit = net_benefit(float(on.sum()), float((1 - on).sum()), homes.height, cut)
    return row | {
        "threshold": cut, "net_benefit_listed": benefit, "value_shared": float(priority[p >= cut].sum()),
    }  # fmt: skip

"""Where the list should be cut: net benefit against threshold, from the likelihoods and the fleet's own costs.

    net benefit = true positives / n - false positives / n x threshold / (1 - threshold)

in true visits a home (Vickers & Elkin, Med. Decis. Making 26:565, 2006). A threshold t says that a needless visit
weighs t / (1 - t) times what a true one brings; the threshold that is right for a fleet is therefore no choice but
follows from its costs. Calibrated likelihoods give the curve before any visit: of the homes above t, the sum of
likelihoods are expected to be faulty. What visits found is published beside it where there are enough.

Homes differ in what they are worth, so each has a break-even of its own (`worth.break_even`) by which it is listed;
the fleet's threshold is the one number that would do best if all had to share one.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.binomial_intervals import Z
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


def net_benefit(true: Amount, false: Amount, homes: int, *, threshold: Amount) -> Amount:
    """Return net benefit [true visits a home].

    Parameters
    ----------
    true, false
        Expected true and false positives, broadcast against `threshold`.
    homes
        Among how many.
    threshold
        Likelihood from which homes are visited, below 1.
    """
    return true / homes - false / homes * threshold / (1 - threshold)


def expected_curve(likelihoods: Float, thresholds: Float) -> tuple[Float, Float]:
    """Return net benefit of visiting all homes from each threshold on, and of visiting all homes, (k,) each.

    `likelihoods` (n,) are calibrated, n at least 1; a home at the threshold is visited.
    """
    rising = np.sort(likelihoods)
    true_below = np.concatenate([[0.0], np.cumsum(rising)])
    first = np.searchsorted(rising, thresholds, side="left")
    true = true_below[-1] - true_below[first]
    above = net_benefit(true, (rising.size - first) - true, rising.size, threshold=thresholds)
    true = np.full(thresholds.size, true_below[-1])
    return above, net_benefit(true, rising.size - true, rising.size, threshold=thresholds)


def confirmed_curve(likelihoods: Float, is_hit: NDArray[np.bool_], thresholds: Float) -> tuple[Float, Float]:
    """Return net benefit among visited homes by what was found, and its standard error, (k,) each.

    `likelihoods` promised before the visit (n,) and whether it found a fault (n,), n at least 2.
    """
    is_above = likelihoods[:, None] >= thresholds[None, :]
    benefit = np.where(is_hit[:, None], 1.0, -thresholds / (1 - thresholds)) * is_above
    return benefit.mean(axis=0), benefit.std(axis=0, ddof=1) / np.sqrt(likelihoods.size)


def decision_curve(worth: pl.DataFrame, promise: pl.DataFrame, settings: HitRateSettings) -> pl.DataFrame:
    """Return table decision_curve (CURVE) of truck visits; no rows without homes.

    Every home of `worth` whose likeliest fault takes a visit counts. Visits that test a promise confirm the curve, from
    [hit_rate] min_visits of them on.
    """
    homes = worth.filter(pl.col("fix_by") == "visit")["likelihood"].to_numpy()
    if not homes.size:
        return pl.DataFrame(schema=CURVE)
    model, visit_all = expected_curve(homes, THRESHOLDS)
    tested = promise.filter((pl.col("fix_by") == "visit") & pl.col("left_out").is_null())
    curve = pl.DataFrame({"threshold": THRESHOLDS, "model": model, "visit_all": visit_all})
    curve = curve.with_columns(visited=pl.lit(tested.height, pl.Int64))
    if tested.height >= max(settings.min_visits, 2):
        promised = tested["likelihood"].to_numpy()
        confirmed, error = confirmed_curve(promised, tested["is_hit"].to_numpy(), THRESHOLDS)
        curve = curve.with_columns(
            promised=expected_curve(promised, THRESHOLDS)[0], confirmed=confirmed,
            confirmed_low=confirmed - Z * error, confirmed_high=confirmed + Z * error,
        )  # fmt: skip
    return pl.concat([pl.DataFrame(schema=CURVE), curve], how="diagonal_relaxed")


def list_cut(worth: pl.DataFrame, listed: pl.DataFrame) -> pl.DataFrame:
    """Return table list_cut (CUT): for trucks and for the desk, the threshold from costs and what the list is worth.

    A needless and a true visit are priced as the homes in question (not called sound) have them on average, the true
    one weighed with the likelihoods: threshold = needless / (needless + true). `net_benefit_listed` is that of the list
    at this threshold. `value_listed` [currency] is the expected value of the list, `value_shared` that of all homes in
    question above the one threshold: the difference is what thresholds of their own are worth, less what the list holds
    back (homes with few nights, homes with a visit behind them).
    """
    homes = worth.with_columns(is_listed=pl.col("site_id").is_in(listed["site_id"].to_list()))
    return pl.DataFrame([_cut(way, homes.filter(pl.col("fix_by") == way)) for way in WAYS], schema=CUT)


def _cut(way: str, homes: pl.DataFrame) -> dict[str, str | int | float | None]:
    asked = homes.filter((pl.col("verdict") != SOUND) | pl.col("is_listed"))
    columns = ("likelihood", "value_cost", "value_true", "needless_cost", "priority", "is_listed")
    likelihood, cost, true, needless, priority, is_listed = (asked[name].to_numpy() for name in columns)
    faults, on_list = float(likelihood.sum()), likelihood[is_listed]
    row: dict[str, str | int | float | None] = {
        "fix_by": way, "homes": homes.height, "listed": int(is_listed.sum()),
        "expected_true": float(on_list.sum()), "value_listed": float(priority[is_listed].sum()),
    }  # fmt: skip
    if not faults:
        return row
    needless_cost, true_value = float(needless.mean()), float((likelihood * (true - cost)).sum() / faults)
    row |= {"needless_cost": needless_cost, "true_value": true_value}
    if true_value <= 0:
        return row
    cut = needless_cost / (needless_cost + true_value)
    benefit = net_benefit(float(on_list.sum()), float((1 - on_list).sum()), homes.height, threshold=cut)
    value_shared = float(priority[likelihood >= cut].sum())
    return row | {"threshold": cut, "net_benefit_listed": benefit, "value_shared": value_shared}

"""The slopes of the days merged so that a bad day can't carry the month."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from pipeline.core.quantiles import quantiles
from pipeline.core.setting_sections import FeatureSettings
from pipeline.features.aggregates.days import Bool, Columns, Float

# series of site_day -> name in site_window
SERIES = {
    "l1": "slope_l1", "l2": "slope_l2", "sum": "slope_sum", "am": "slope_am", "pm": "slope_pm", "net": "slope_net",
    "l1_var": "var_l1", "l2_var": "var_l2",
}  # fmt: skip
SLOPES = ("s_n", *(f"s_{series}{end}" for series in SERIES for end in ("", "_se")))  # columns of site_day


@dataclass(frozen=True)
class Merged:
    """One series, an entry a home, NaN where no day is usable.

    `slope` and its standard error `se` [W/W]; `days` with enough ramps; `scatter` [W/W], how far the days lie apart
    beyond what their own errors explain.
    """

    slope: Float
    se: Float
    days: Float
    scatter: Float


def merged_slopes(read: Columns, in_span: Bool, settings: FeatureSettings) -> dict[str, Float]:
    """Return SERIES' slopes and their errors, `slope_days` and `slope_scatter` of the sum, an entry a home.

    `read` has the columns SLOPES, `in_span` (days, homes) tells which days speak.
    """
    out: dict[str, Float] = {}
    merged = {}
    ramps = read["s_n"]
    with np.errstate(invalid="ignore"):
        enough = in_span & (ramps >= settings.min_ramps)
    for series, name in SERIES.items():
        merged[series] = _merged(read, series, ramps, enough, settings)
        out[name], out[f"{name}_se"] = merged[series].slope, merged[series].se
    both, first_leg = merged["sum"], merged["l1"]
    out["slope_days"] = np.where(both.days > 0, both.days, first_leg.days)
    out["slope_scatter"] = both.scatter
    return out


def _merged(read: Columns, series: str, ramps: Float, enough: Bool, settings: FeatureSettings) -> Merged:
    """Merge one series.

    A day's weight is its inverse variance, lowered if it lies far from the median day. The error is the larger of
    what the days promise and how they scatter.
    """
    slope, error = read[f"s_{series}"], read[f"s_{series}_se"]
    usable = enough & np.isfinite(slope) & np.isfinite(error)
    count = np.count_nonzero(usable, axis=0)
    homes = np.flatnonzero(count)
    usable = usable[:, homes]
    slope = np.where(usable, slope[:, homes], 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        widened = error[:, homes] * (1 + settings.few_ramps / ramps[:, homes])
    error = np.where(usable, np.sqrt(widened**2 + settings.slope_day_sd**2), 1.0)
    middle, usual = _median(slope, usable), _median(error, usable)
    weight = np.where(usable, 1 / (error**2 * (1 + ((slope - middle) / (2 * error)) ** 2)), 0.0)
    total = sum_of_days(weight)
    best = sum_of_days(weight * slope) / total
    pull = weight * (slope - best)
    promised = sum_of_days(np.where(usable, 1 / error**2, 0.0))
    apart = 1.4826 * _median(np.abs(slope - best), usable)

    def placed(values: Float) -> Float:
        all_homes = np.full(len(count), np.nan)
        all_homes[homes] = values
        return all_homes

    return Merged(
        placed(best),
        placed(np.maximum(1 / np.sqrt(promised), np.sqrt(sum_of_days(pull * pull)) / total)),
        count.astype(np.float64),
        placed(np.sqrt(np.maximum(apart**2 - usual**2, 0))),
    )


def sum_of_days(grid: Float) -> Float:
    """Return each home's sum, day after day: numpy's own may go another way where there is only one home."""
    total = np.zeros(grid.shape[1])
    for day in grid:
        total += day
    return total


def _median(grid: Float, where: Bool) -> Float:
    (middle,) = quantiles(grid.T, where.T, (0.5,))
    return middle

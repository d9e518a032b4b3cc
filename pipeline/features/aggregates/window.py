"""Table site_window: a home's days merged over its span, sums of the sums and medians of the nightly quantiles."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl

from pipeline.core.quantiles import quantiles
from pipeline.core.setting_sections import FeatureSettings
from pipeline.features.aggregates.days import Bool, Columns, Float, HomeDays
from pipeline.features.aggregates.slope import SLOPES, merged_slopes

# Counts and sums of site_day that add up over the days, under their own names: what the features are made of.
SUMS = (
    "n_row", "n_l1", "n_l2", "n_volt", "n_net", "n_battery", "covered_min", "n_dark", "n_dark_pv_live", "n_night",
    "n_sun", "n_neg_l1_night", "n_neg_l2_night", "n_neg_sum_night", "n_neg_l1_day", "n_neg_l2_day", "n_pv_sun",
    "n_balanced", "n_zero_l1", "n_zero_l2", "n_zero_all", "n_zero_l1_dark", "n_zero_l2_dark", "n_gap_l1",
    "n_gap_l2", "n_low_l1", "n_low_l2", "n_lone_l1", "n_lone_l2", "n_tiny_l1", "n_tiny_l2", "n_stale_l1",
    "n_stale_l2", "n_step_row", "n_drop_l1", "n_drop_l2", "l1_night_w", "l2_night_w", "l1_day_w", "l2_day_w",
    "pv_day_w", "pv_dark_w", "l1_l1_night", "l2_l2_night", "l1_l2_night", "l1_l1_day", "l2_l2_day", "l1_l2_day",
    "pv_pv_day", "l1_pv_day", "l2_pv_day", "sky_n", "sky_x", "sky_xx", "l1_sky", "l2_sky", "pv_sky", "l1_all_w",
    "l2_all_w", "pv_all_w", "l1_l1_all", "l2_l2_all", "pv_pv_all", "pv_cos_w", "pv_sin_w", "l1_abs_wh", "l2_abs_wh",
    "pv_wh", "pv_abs_w", "l1_v_sum", "l2_v_sum", "vdiff_vdiff", "d11_n", "d22_n", "d12_n", "d11_d", "d22_d",
    "d12_d", "vd_n_n", "vd_11_n", "vd_22_n", "vd_12_n", "vd_1v_n", "vd_2v_n", "vd_vv_n", "vd_n_d", "vd_11_d",
    "vd_22_d", "vd_12_d", "vd_1v_d", "vd_2v_d", "vd_vv_d", "vd_pp_d", "vd_1p_d", "vd_2p_d", "vd_pv_d", "n_active_n",
    "n_active_d", "n_equal_n", "n_equal_d", "n_mirror_n", "n_mirror_d", "n_pair", "n_pair_opposite", "n_leak_l1",
    "n_leak_l2", "n_glitch_l1", "n_glitch_l2", "nm_n", "nm_nn", "nm_n1", "nm_n2", "nm_np", "nm_nb", "nm_11",
    "nm_22", "nm_12", "nm_1p", "nm_2p", "nm_pp", "nm_1b", "nm_2b", "nm_pb", "nm_bb", "ne_net", "ne_l1", "ne_l2",
)  # fmt: skip
RANKED = (
    "n_night", "length_min", "sum_night_p05", "sum_night_p50", "sum_night_p95", "pv_max_w", "pair_log_ratio",
    *(
        name.format(leg)
        for leg in ("l1", "l2")
        for name in (
            "{}_night_p05", "{}_night_min", "{}_night_p50", "{}_night_p95", "leak_{}", "leak_least_{}", "{}_dark_size",
        )
    ),
)  # fmt: skip
_COUNTS = ("days", "pair_days", "leak_l1_days", "leak_l2_days", "slope_days")


def site_window(
    days: HomeDays, span: pl.DataFrame, settings: FeatureSettings, *, running: date | None = None
) -> pl.DataFrame:
    """Return table site_window, one row a home with days in its span, sorted.

    Parameters
    ----------
    days
        The homes' days.
    span
        `site_id`, `from_on`, `to_on`: the days that speak for each home; one that isn't there has none.
    settings
        Section [feature].
    running
        The day that isn't over: it is as long as the rows of it cover.

    Returns
    -------
    pl.DataFrame
        `site_id`; `days`, `nights` [days] with rows, with a night; `long_days` [days] how long
        `days` are together; `length_min` [min] usual interval; medians over
        the days of site_day's `l1_night_p05`, `l1_night_p50`, the same of l2 and sum, `l1_dark_size` and
        `l2_dark_size` [W], `pair_log_ratio`, `leak_l1`, `leak_l2` [-], `leak_least_l1`, `leak_least_l2` [W/W];
        `pair_log_sd`, `leak_l1_sd`, `leak_l2_sd` [-] from the 16th to the 84th percentile of the days, and the
        `pair_days`, `leak_l1_days`, `leak_l2_days` behind them; `l1_night_top`, `l2_night_top`, `sum_night_top` [W]
        90th percentile of the nightly highs; `l1_night_wander`, `l2_night_wander` [W] spread of the nightly lows;
        `l1_floor_drop`, `l2_floor_drop` [W] how far the lowest of a night falls short of its usual on one night in
        ten; `l1_floor_soft`, `l2_floor_soft` [W] how far it lies under the night's 5th percentile; `pv_max_w` [W]
        highest production; every sum of SUMS; what `merged_slopes` returns.
    """
    spans = pl.DataFrame({"site_id": days.homes}).join(span, on="site_id", how="left", maintain_order="left")
    day_number = days.days.to_physical().to_numpy()[:, None]
    first, last = (spans[name].to_physical().to_numpy().astype(float) for name in ("from_on", "to_on"))
    in_span = (
        days.is_there & (day_number >= first) & (day_number <= last)
    )  # a home without a span: NaN, never true
    out: dict[str, Float] = {"days": in_span.sum(axis=0).astype(float)}
    read = days.columns((*RANKED, *SLOPES, "covered_min"))
    out["long_days"] = _long_days(days, in_span, read["covered_min"], running)
    out |= _ranked(read, in_span)
    out |= merged_slopes(read, in_span, settings)
    out |= _sums(days, in_span)
    merged = pl.DataFrame({"site_id": days.homes, **out}).filter(out["days"] > 0).fill_nan(None)
    return merged.with_columns(pl.col(_COUNTS).cast(pl.Int64), pl.col("nights").cast(pl.Int32))


def _long_days(days: HomeDays, in_span: Bool, covered_min: Float, running: date | None) -> Float:
    """Return how long the days of the span are [days]: a whole day is one however little of it came."""
    long: Float = in_span.astype(float)
    for line in np.flatnonzero(days.days.to_numpy() == np.datetime64(running, "D")) if running else ():
        long[line] = np.where(in_span[line], np.fmin(1, covered_min[line] / 1440.0), 0.0)
    total: Float = long.sum(axis=0)
    return total


def _sums(days: HomeDays, in_span: Bool) -> dict[str, Float]:
    """Return SUMS over each home's span, day after day, NaN where no day has a value."""
    shape = len(days.homes), len(SUMS)
    total, is_null, values = np.zeros(shape), np.ones(shape, bool), np.empty(shape)
    for line, home, rows in days.walk(SUMS):
        values[home] = rows.to_numpy()
        values[~in_span[line]] = np.nan
        unknown = np.isnan(values)
        np.copyto(values, 0.0, where=unknown)
        total += values
        is_null &= unknown
    return dict(zip(SUMS, np.where(is_null, np.nan, total).T, strict=True))


def _ranked(read: Columns, in_span: Bool) -> dict[str, Float]:
    """Return what rests on the order of the days' values."""
    out: dict[str, Float] = {}

    def ranks(grid: Float, *shares: float) -> list[Float]:
        ranked = quantiles(grid.T, (in_span & ~np.isnan(grid)).T, shares)
        return [values + 0.0 for values in ranked]  # sorting takes -0 and 0 in any order: both are 0

    def ratio_of_days(name: str) -> None:
        grid = read[name]
        out[name], high, low = ranks(grid, 0.5, 0.84, 0.16)
        stem = name.removesuffix("_ratio") if name.startswith("pair") else name
        out[f"{stem}_sd"] = high - low
        known = in_span & ~np.isnan(grid)
        out[f"{stem.removesuffix('_log')}_days"] = np.count_nonzero(known, axis=0).astype(float)

    with np.errstate(invalid="ignore"):
        out["nights"] = np.count_nonzero(in_span & (read["n_night"] > 0), axis=0).astype(float)
    for name in ("length_min", "sum_night_p05", "sum_night_p50"):
        (out[name],) = ranks(read[name], 0.5)
    (out["sum_night_top"],) = ranks(read["sum_night_p95"], 0.9)
    (out["pv_max_w"],) = ranks(read["pv_max_w"], 1.0)
    ratio_of_days("pair_log_ratio")
    for leg in ("l1", "l2"):
        p05, least = read[f"{leg}_night_p05"], read[f"{leg}_night_min"]
        out[f"{leg}_night_p05"], high, low = ranks(p05, 0.5, 0.9, 0.1)
        out[f"{leg}_night_wander"] = high - low
        middle, low = ranks(least, 0.5, 0.1)
        out[f"{leg}_floor_drop"] = middle - low
        (out[f"{leg}_floor_soft"],) = ranks(p05 - least, 0.5)
        (out[f"{leg}_night_p50"],) = ranks(read[f"{leg}_night_p50"], 0.5)
        (out[f"{leg}_night_top"],) = ranks(read[f"{leg}_night_p95"], 0.9)
        ratio_of_days(f"leak_{leg}")
        (out[f"leak_least_{leg}"],) = ranks(read[f"leak_least_{leg}"], 0.5)
        (out[f"{leg}_dark_size"],) = ranks(read[f"{leg}_dark_size"], 0.5)
    return out

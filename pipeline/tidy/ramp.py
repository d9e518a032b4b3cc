"""PV ramps of many homes: the slopes of sql/ramp.sql and sql/site_day_ramp.sql."""

from __future__ import annotations

from math import floor
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.tidy.grid import Bool, Float, Regime, known

SERIES = ("l1", "l2", "sum", "am", "pm", "l1_var", "l2_var", "net")


def ramps(r: Regime, day: dict[str, Any]) -> dict[str, Float]:
    """Return s_<series>, s_<series>_se, s_n and s_w of site_day, an entry a home; NaN is null."""
    homes, width = r.grid.minute.shape
    span = max(1, floor(day["ramp_span_min"] / r.grid.length_min + 0.5))
    has = r.grid.has
    lit = (r.grid.is_row & (~r.is_dark | r.is_pv_live) & has["pv_w"][:, None]).ravel()
    at = np.flatnonzero(lit)
    home = at // width
    first, last = at[: -(span + 2)], at[span + 2 :]  # the row before the ramp and the row after it
    start, end = at[1 : -(span + 1)], at[span + 1 : -1]
    minute, pv = r.grid.minute.ravel(), r.grid.values["pv_w"].ravel()
    idle = r.is_battery_idle.ravel()
    around, ramp = pv[last] - pv[first], pv[end] - pv[start]
    whole = home[: -(span + 2)] == home[span + 2 :]
    whole &= minute[last] - minute[first] == (span + 2) * r.grid.length_min
    whole &= idle[start] & idle[end] & (np.abs(around) >= r.sky.ramp_w[home[: -(span + 2)]])
    whole &= around * ramp > day["ramp_core_share"] * around * around
    start, end, ramp = start[whole], end[whole], ramp[whole]
    weight = np.floor(np.abs(around[whole]) * 1024 + 0.5) / 1024
    owner = start // width
    count = np.bincount(owner, minlength=homes)
    most = int(count.max(initial=0))
    found = {name: np.full(homes, np.nan) for series in SERIES for name in (f"s_{series}", f"s_{series}_se")}
    found["s_n"], found["s_w"] = known(count.astype(np.float64), count > 0), np.full(homes, np.nan)
    if most == 0:
        return found
    place = owner * most + np.arange(len(owner)) - (np.cumsum(count) - count)[owner]

    def spread(values: Float, empty: float) -> Float:
        lines = np.full(homes * most, empty)
        lines[place] = values
        return lines.reshape(homes, most)

    def ratio(level: Float) -> Float:
        flat = level.ravel()
        return spread((flat[end] - flat[start]) / ramp, np.inf)

    weights = spread(weight, 0.0)
    found["s_w"] = known(weights.sum(axis=1), count > 0)
    value = r.grid.values
    level = {
        "l1": value["l1_w"],
        "l2": value["l2_w"],
        "l1_var": value["l1_var"],
        "l2_var": value["l2_var"],
        "net": r.net_w,
    }
    there = {
        "l1": has["l1_w"],
        "l2": has["l2_w"],
        "l1_var": has["l1_var"],
        "l2_var": has["l2_var"],
        "net": r.has_net,
    }
    for series, values in level.items():
        lines = np.flatnonzero(there[series] & (count > 0))
        if lines.size:
            ranked, order = _ranked(ratio(values)[lines])
            _put(found, series, lines, ranked, np.take_along_axis(weights[lines], order, axis=1))
    lines = np.flatnonzero(has["l1_w"] & (count > 0))
    if lines.size:
        one, two = value["l1_w"].ravel(), value["l2_w"].ravel()
        both = spread(((one[end] - one[start]) + (two[end] - two[start])) / ramp, np.inf)
        ranked, order = _ranked(both[lines])
        ordered = np.take_along_axis(weights[lines], order, axis=1)
        _put(found, "sum", lines, ranked, ordered)
        # Before the sun's noon the hour angle's sine is negative; an unplaced home has neither half.
        is_am = spread((r.hour_sin.ravel()[end] < 0).astype(np.float64), 0.0)[lines]
        half = np.take_along_axis(is_am, order, axis=1) > 0
        placed = r.is_placed[lines][:, None]
        _put(found, "am", lines, ranked, ordered * (half & placed))
        _put(found, "pm", lines, ranked, ordered * (~half & placed))
    return found


def _ranked(ratios: Float) -> tuple[Float, NDArray[np.intp]]:
    order = np.argsort(ratios, axis=1)
    return np.take_along_axis(ratios, order, axis=1), order


def _put(
    found: dict[str, Float], series: str, lines: NDArray[np.intp], ranked: Float, weights: Float
) -> None:
    """Set the weighted median of each line (ratios in order, weight 0 for those that don't count) and its error."""
    below = np.cumsum(weights, axis=1)
    total = weights.sum(axis=1)
    half = np.sqrt(np.vecdot(weights, weights)) / 2
    counts: Bool = weights > 0
    there = counts.any(axis=1)
    highest = np.where(counts, ranked, -np.inf).max(axis=1)

    def at(weight: Float) -> Float:
        """Return the lowest ratio with so much weight at it or below it, else the highest."""
        reached = (below < np.maximum(weight, np.finfo(np.float64).tiny)[:, None]).sum(axis=1)
        inside = np.minimum(reached, ranked.shape[1] - 1)
        found_at: Float = np.where(reached < ranked.shape[1], ranked[np.arange(len(ranked)), inside], highest)
        return found_at

    with np.errstate(invalid="ignore"):
        found[f"s_{series}"][lines] = known(at(total / 2), there)
        found[f"s_{series}_se"][lines] = known((at(total / 2 + half) - at(total / 2 - half)) / 2, there)

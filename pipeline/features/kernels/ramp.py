"""PV ramps of a home: the slopes of sql/ramp.sql and sql/site_day_ramp.sql."""

from __future__ import annotations

import numpy as np

from pipeline.features.kernels.compiled import FALSE, GAPS, TRUE, Float, Int, compiled, numbered
from pipeline.features.kernels.rows import Rows, Thresholds

AT = numbered(
    """
    s_l1 s_l2 s_sum s_am s_pm s_l1_var s_l2_var s_net s_l1_se s_l2_se s_sum_se s_am_se s_pm_se s_l1_var_se
    s_l2_var_se s_net_se s_n s_w
    """
)
RAMPS = AT._fields
_SERIES = 8
_L1, _L2, _SUM, _AM, _PM, _L1_VAR, _L2_VAR, _NET = range(_SERIES)
_OF_ALL_RAMPS = np.array([_L1, _L2, _SUM, _L1_VAR, _L2_VAR, _NET])


@compiled
def ramps(
    r: Rows,
    rows: int,
    length_min: float,
    ramp_w: float,
    thresholds: Thresholds,
    lit: Int,
    scratch: Float,
    v: Float,
) -> None:
    """Put RAMPS into `v`, NaN for null; `lit` (rows), `scratch` (6, rows) are to write in.

    Parameters
    ----------
    r
        Rows of a home, an array of ROW.
    rows
        How many there are.
    length_min
        Interval length [min].
    ramp_w
        Size of a ramp that calibrates [W].
    thresholds
        The settings' numbers.
    lit
        Scratch of shape (rows,).
    scratch
        Scratch of shape (6, rows).
    v
        Shape (RAMPS,), written to.
    """
    v[:] = np.nan
    span = max(1, int(np.floor(thresholds.ramp_span_min / length_min + 0.5)))
    count = 0
    for i in range(rows):
        if r[i].is_dark == FALSE or r[i].is_pv_live == TRUE:
            lit[count] = i
            count += 1
    # In `scratch` for each ramp that counts: start, end, weight; then a series' weights in the order of its ratios.
    found = 0
    for at in range(count - span - 2):
        first, start, end, last = lit[at], lit[at + 1], lit[at + 1 + span], lit[at + 2 + span]
        around, ramp = r[last].pv_w - r[first].pv_w, r[end].pv_w - r[start].pv_w
        if (
            r[start].is_idle == TRUE
            and r[end].is_idle == TRUE
            and r[last].minute - r[first].minute == (span + 2) * length_min
            and abs(around) >= ramp_w
            and around * ramp > thresholds.ramp_core_share * around * around
        ):
            scratch[0, found], scratch[1, found] = start, end
            scratch[2, found] = np.floor(abs(around) * 1024.0 + 0.5) / 1024.0
            found += 1
    for series in _OF_ALL_RAMPS:
        size = _ratios(r, series, found, scratch)
        if size == 0:
            continue
        _sort_ratios(scratch, size)
        _slope(series, size, scratch, 0.0, v)
        if (
            series == _SUM
        ):  # before the sun's noon the hour angle's sine is negative; unplaced homes have none
            _slope(series + 1, size, scratch, -1.0, v)
            _slope(series + 2, size, scratch, 1.0, v)


@compiled
def _ratios(r: Rows, series: int, found: int, scratch: Float) -> int:
    """Write ratio, weight and the hour angle's sine of each ramp on which the series is known; return how many."""
    size = 0
    for at in range(found):
        start, end = int(scratch[0, at]), int(scratch[1, at])
        ratio = _moved(r, series, start, end) / (r[end].pv_w - r[start].pv_w)
        if ratio == ratio:
            scratch[3, size], scratch[4, size], scratch[5, size] = ratio, scratch[2, at], r[end].hour_sin
            size += 1
    return size


@compiled
def _sort_ratios(scratch: Float, size: int) -> None:
    """Put the ramps in the order of their ratios, weight and hour angle with them (as `compiled.sort`)."""
    for gap in GAPS:
        for i in range(gap, size):
            ratio, weight, hour_sin, at = scratch[3, i], scratch[4, i], scratch[5, i], i
            while at >= gap and scratch[3, at - gap] > ratio:
                for part in range(3, 6):
                    scratch[part, at] = scratch[part, at - gap]
                at -= gap
            scratch[3, at], scratch[4, at], scratch[5, at] = ratio, weight, hour_sin


@compiled
def _slope(series: int, count: int, scratch: Float, side: float, v: Float) -> None:
    """Put a series' weighted median, and its error, over the `count` ramps, which are in the order of their ratios.

    With `side` -1 those before noon only, with 1 those after it.
    """
    size = 0
    total = square = 0.0
    for at in range(count):
        if _is_in(scratch[5, at], side):
            weight = scratch[4, at]
            total += weight
            square += weight * weight
            size += 1
    if size == 0:
        return
    half = np.sqrt(square) / 2.0
    v[AT.s_n] = float(size) if not v[AT.s_n] >= size else v[AT.s_n]
    v[AT.s_w] = total if not v[AT.s_w] >= total else v[AT.s_w]
    v[series] = _at(total / 2.0, count, scratch, side)
    low, high = _at(total / 2.0 - half, count, scratch, side), _at(total / 2.0 + half, count, scratch, side)
    v[_SERIES + series] = (high - low) / 2.0


@compiled
def _is_in(hour_sin: float, side: float) -> bool:
    return side == 0.0 or (hour_sin < 0.0 if side < 0.0 else hour_sin >= 0.0)


@compiled
def _at(weight: float, count: int, scratch: Float, side: float) -> float:
    """Return the lowest ratio with so much weight at it or below it, else the highest."""
    below_w, found = 0.0, np.nan
    for at in range(count):
        if _is_in(scratch[5, at], side):
            below_w += scratch[4, at]
            found = float(scratch[3, at])
            if below_w >= weight:
                break
    return found


@compiled
def _moved(r: Rows, series: int, start: int, end: int) -> float:
    """Return what a series moved by; NaN where it isn't known."""
    if series == _L1:
        return float(r[end].l1_w - r[start].l1_w)
    if series == _L2:
        return float(r[end].l2_w - r[start].l2_w)
    if series == _L1_VAR:
        return float(r[end].l1_var - r[start].l1_var)
    if series == _L2_VAR:
        return float(r[end].l2_var - r[start].l2_var)
    if series == _NET:
        return float(r[end].net_w - r[start].net_w)
    d2 = r[end].l2_w - r[start].l2_w
    return float(r[end].l1_w - r[start].l1_w + (d2 if d2 == d2 else 0.0))

"""PV ramps of a home: the slopes of sql/ramp.sql and sql/site_day_ramp.sql."""

from __future__ import annotations

import numpy as np

from pipeline.tidy.compiled import FALSE, TRUE, Bool, Float, Int, compiled, numbered
from pipeline.tidy.rows import Lines, Rows

AT = numbered(
    """
    s_l1 s_l2 s_sum s_am s_pm s_l1_var s_l2_var s_net s_l1_se s_l2_se s_sum_se s_am_se s_pm_se s_l1_var_se
    s_l2_var_se s_net_se s_n s_w
    """
)
RAMPS = AT._fields
_SERIES = 8


@compiled
def ramps(
    r: Rows,
    rows: int,
    length_min: float,
    ramp_w: float,
    lines: Lines,
    lit: Int,
    room: Float,
    v: Float,
    k: Bool,
) -> None:
    """Work out RAMPS into `v`, and which of them are known into `k`; `lit` (rows), `room` (5, rows) are to write in."""
    span = max(1, int(np.floor(lines.ramp_span_min / length_min + 0.5)))
    count = 0
    for i in range(rows):
        if r.is_dark[i] == FALSE or r.is_pv_live[i] == TRUE:
            lit[count] = i
            count += 1
    # In `room` for each ramp that counts: start, end, weight; then a series' weights in the order of its ratios.
    found = 0
    for at in range(count - span - 2):
        first, start, end, last = lit[at], lit[at + 1], lit[at + 1 + span], lit[at + 2 + span]
        around, ramp = r.pv_w[last] - r.pv_w[first], r.pv_w[end] - r.pv_w[start]
        if (
            r.is_idle[start] == TRUE
            and r.is_idle[end] == TRUE
            and r.minute[last] - r.minute[first] == (span + 2) * length_min
            and abs(around) >= ramp_w
            and around * ramp > lines.ramp_core_share * around * around
        ):
            room[0, found], room[1, found] = start, end
            room[2, found] = np.floor(abs(around) * 1024.0 + 0.5) / 1024.0
            found += 1
    for series in range(_SERIES):
        _slope(r, series, found, room, v, k)


@compiled
def _slope(r: Rows, series: int, found: int, room: Float, v: Float, k: Bool) -> None:
    """Put a series' weighted median over the ramps, and its error."""
    size = 0
    total = square = 0.0
    for at in range(found):
        start, end = int(room[0, at]), int(room[1, at])
        ratio = _moved(r, series, start, end) / (r.pv_w[end] - r.pv_w[start])
        if ratio == ratio:
            room[3, size], room[4, size] = ratio, room[2, at]
            size += 1
    if size == 0:
        return
    order = np.argsort(room[3, :size])
    for at in range(size):
        weight = room[4, order[at]]
        total += weight
        square += weight * weight
    half = np.sqrt(square) / 2.0
    k[AT.s_n] = k[AT.s_w] = True
    v[AT.s_n], v[AT.s_w] = max(v[AT.s_n], float(size)), max(v[AT.s_w], total)
    k[series] = k[_SERIES + series] = True
    v[series] = _at(total / 2.0, room, order)
    v[_SERIES + series] = (_at(total / 2.0 + half, room, order) - _at(total / 2.0 - half, room, order)) / 2.0


@compiled
def _at(weight: float, room: Float, order: Int) -> float:
    """Return the lowest ratio with so much weight at it or below it, else the highest."""
    below_w = 0.0
    for at in order:
        below_w += room[4, at]
        if below_w >= weight:
            return float(room[3, at])
    return float(room[3, order[-1]])


@compiled
def _moved(r: Rows, series: int, start: int, end: int) -> float:
    """Return what a series moved by; NaN where it isn't known or the ramp is not in its half of the day."""
    if series == 0:
        return float(r.l1_w[end] - r.l1_w[start])
    if series == 1:
        return float(r.l2_w[end] - r.l2_w[start])
    if series == 5:
        return float(r.l1_var[end] - r.l1_var[start])
    if series == 6:
        return float(r.l2_var[end] - r.l2_var[start])
    if series == 7:
        return float(r.net_w[end] - r.net_w[start])
    # Before the sun's noon the hour angle's sine is negative; of an unplaced home it is not known.
    if series == 3 and not r.hour_sin[end] < 0.0:
        return np.nan
    if series == 4 and not r.hour_sin[end] >= 0.0:
        return np.nan
    d2 = r.l2_w[end] - r.l2_w[start]
    return float(r.l1_w[end] - r.l1_w[start] + (d2 if d2 == d2 else 0.0))

"""Levels of a home: the sums and quantiles of sql/site_day_level.sql, and the hourly means of sql/site_hour.sql."""

from __future__ import annotations

import numpy as np

from pipeline.features.kernels.compiled import TRUE, Float, add, compiled, numbered, put_sums, quantile, sort
from pipeline.features.kernels.rows import Rows, Thresholds

SUM = numbered(
    """
    l1_night_w l2_night_w l1_day_w l2_day_w pv_day_w pv_dark_w l1_l1_night l2_l2_night l1_l2_night l1_l1_day
    l2_l2_day l1_l2_day pv_pv_day l1_pv_day l2_pv_day sky_x sky_xx l1_sky l2_sky pv_sky l1_all_w l2_all_w pv_all_w
    l1_l1_all l2_l2_all pv_pv_all pv_cos_w pv_sin_w l1_abs_wh l2_abs_wh pv_wh pv_abs_w l1_v_sum l2_v_sum vdiff_vdiff
    """
)
SUMS = SUM._fields
ONE = numbered(
    """
    n_row n_l1 n_l2 n_pv n_volt n_net n_battery length_min covered_min sky_n pv_max_w l1_night_min l2_night_min
    l1_dark_size l2_dark_size l1_night_p05 l1_night_p50 l1_night_p95 l2_night_p05 l2_night_p50 l2_night_p95
    sum_night_p05 sum_night_p50 sum_night_p95
    """
)
ONES = ONE._fields
WHOLE = ("n_row", "n_l1", "n_l2", "n_pv", "n_volt", "n_net", "n_battery", "sky_n")  # of ONES


@compiled
def sum_levels(r: Rows, rows: int, length_min: float, sums: Float, value: Float) -> None:
    """Put SUMS into `value`; `sums` has space for them, 0 before.

    Parameters
    ----------
    r
        Rows of a home, an array of ROW.
    rows
        How many there are.
    length_min
        Interval length [min].
    sums
        Shape (SUMS,) or longer, 0 before.
    value
        Shape (SUMS,), written to.
    """
    seen = 0
    for i in range(rows):
        l1, l2, pv, sun_sin = r[i].l1_w, r[i].l2_w, r[i].pv_w, r[i].sun_sin
        size1, size2, size_pv = abs(l1), abs(l2), abs(pv)
        if r[i].is_night == TRUE:
            seen |= add(sums, SUM.l1_night_w, l1, True) | add(sums, SUM.l2_night_w, l2, True)
            seen |= add(sums, SUM.l1_l1_night, l1 * l1, True) | add(sums, SUM.l2_l2_night, l2 * l2, True)
            seen |= add(sums, SUM.l1_l2_night, l1 * l2, True)
        else:
            seen |= add(sums, SUM.l1_day_w, l1, True) | add(sums, SUM.l2_day_w, l2, True)
            seen |= add(sums, SUM.pv_day_w, pv, True) | add(sums, SUM.pv_pv_day, pv * pv, True)
            seen |= add(sums, SUM.l1_l1_day, l1 * l1, True) | add(sums, SUM.l2_l2_day, l2 * l2, True)
            seen |= add(sums, SUM.l1_l2_day, l1 * l2, True)
            seen |= add(sums, SUM.l1_pv_day, l1 * pv, True) | add(sums, SUM.l2_pv_day, l2 * pv, True)
        seen |= add(sums, SUM.pv_dark_w, size_pv, r[i].is_dark == TRUE)
        sky = sun_sin if sun_sin > 0.0 else 0.0
        seen |= add(sums, SUM.sky_x, sky, True) | add(sums, SUM.sky_xx, sky * sky, True)
        seen |= add(sums, SUM.l1_sky, l1 * sky, True) | add(sums, SUM.l2_sky, l2 * sky, True)
        seen |= add(sums, SUM.pv_sky, pv * sky, True)
        seen |= add(sums, SUM.l1_all_w, l1, True) | add(sums, SUM.l2_all_w, l2, True)
        seen |= add(sums, SUM.pv_all_w, pv, True)
        seen |= add(sums, SUM.l1_l1_all, l1 * l1, True) | add(sums, SUM.l2_l2_all, l2 * l2, True)
        seen |= add(sums, SUM.pv_pv_all, pv * pv, True)
        seen |= add(sums, SUM.pv_cos_w, pv * r[i].hour_cos, True)
        seen |= add(sums, SUM.pv_sin_w, pv * r[i].hour_sin, True)
        seen |= add(sums, SUM.l1_abs_wh, size1, True) | add(sums, SUM.l2_abs_wh, size2, True)
        seen |= add(sums, SUM.pv_wh, pv, True) | add(sums, SUM.pv_abs_w, size_pv, True)
        has_volt = r[i].vdiff_v == r[i].vdiff_v
        seen |= add(sums, SUM.l1_v_sum, r[i].l1_v, has_volt) | add(sums, SUM.l2_v_sum, r[i].l2_v, has_volt)
        seen |= add(sums, SUM.vdiff_vdiff, r[i].vdiff_v * r[i].vdiff_v, has_volt)
    for place in (SUM.l1_abs_wh, SUM.l2_abs_wh, SUM.pv_wh):
        sums[place] *= length_min / 60.0
    put_sums(value, sums, seen)


@compiled
def single_levels(
    r: Rows, rows: int, length_min: float, thresholds: Thresholds, scratch: Float, value: Float
) -> None:
    """Put ONES into `value`, NaN for null; `scratch` holds a home's rows.

    Parameters
    ----------
    r
        Rows of a home, an array of ROW.
    rows
        How many there are.
    length_min
        Interval length [min].
    thresholds
        The settings' numbers.
    scratch
        Scratch of shape (rows,).
    value
        Shape (ONES,), written to.
    """
    value[:] = 0.0
    value[ONE.n_row] = value[ONE.sky_n] = float(rows)
    value[ONE.length_min], value[ONE.covered_min] = length_min, rows * length_min
    pv_max = -1.0
    least1 = least2 = np.inf
    for i in range(rows):
        l1, l2, pv = r[i].l1_w, r[i].l2_w, r[i].pv_w
        value[ONE.n_l1] += l1 == l1
        value[ONE.n_l2] += l2 == l2
        value[ONE.n_pv] += pv == pv
        value[ONE.n_volt] += r[i].vdiff_v == r[i].vdiff_v
        value[ONE.n_net] += r[i].net_w == r[i].net_w
        value[ONE.n_battery] += r[i].battery_w == r[i].battery_w
        if abs(pv) > pv_max:
            pv_max = abs(pv)
        if r[i].is_night == TRUE:
            # With every channel at zero a row is a gap; where leg 1 is not known, it is not told of leg 2.
            is_zero1, is_zero2 = abs(l1) < thresholds.zero_w, abs(l2) < thresholds.zero_w
            is_gap = is_zero1 & (is_zero2 | (l2 != l2))
            if l1 < least1 and not is_gap:
                least1 = l1
            if l2 < least2 and not is_gap and not (is_zero2 and l1 != l1):
                least2 = l2
    value[ONE.pv_max_w] = pv_max if pv_max >= 0.0 else np.nan
    value[ONE.l1_night_min] = least1 if least1 < np.inf else np.nan
    value[ONE.l2_night_min] = least2 if least2 < np.inf else np.nan
    _level_ranks(r, rows, scratch, value)


@compiled
def _level_ranks(r: Rows, rows: int, scratch: Float, value: Float) -> None:
    for leg in range(2):
        size = 0
        for i in range(rows):
            reading = r[i].l1_w if leg == 0 else r[i].l2_w
            if r[i].is_dark == TRUE and reading == reading:
                scratch[size] = abs(reading)
                size += 1
        sort(scratch, size)
        value[ONE.l1_dark_size if leg == 0 else ONE.l2_dark_size] = quantile(scratch, size, 0.9)
    for series in range(3):
        size = 0
        for i in range(rows):
            reading = r[i].l1_w if series == 0 else r[i].l2_w if series == 1 else r[i].l1_w + r[i].l2_w
            if r[i].is_night == TRUE and reading == reading:
                scratch[size] = reading
                size += 1
        sort(scratch, size)
        low, middle, high = (
            (ONE.l1_night_p05, ONE.l1_night_p50, ONE.l1_night_p95) if series == 0
            else (ONE.l2_night_p05, ONE.l2_night_p50, ONE.l2_night_p95) if series == 1
            else (ONE.sum_night_p05, ONE.sum_night_p50, ONE.sum_night_p95)
        )  # fmt: skip
        value[low], value[middle] = quantile(scratch, size, 0.05), quantile(scratch, size, 0.50)
        value[high] = quantile(scratch, size, 0.95)


@compiled
def hours(r: Rows, rows: int, count: Float, total: Float) -> None:
    """Add rows to `count` (5, 24): all, with l1_w, l2_w, pv_w, battery_w; and these four to `total` (4, 24) [W sum].

    Parameters
    ----------
    r
        Rows of a home, an array of ROW.
    rows
        How many there are.
    count
        Shape (5, 24), written to.
    total
        Shape (4, 24) [W sum], written to.
    """
    for i in range(rows):
        hour = r[i].minute // 60
        count[0, hour] += 1.0
        for series in range(4):
            reading = (
                r[i].l1_w if series == 0
                else r[i].l2_w if series == 1
                else r[i].pv_w if series == 2
                else r[i].battery_w
            )  # fmt: skip
            if reading == reading:
                count[1 + series, hour] += 1.0
                total[series, hour] += reading

"""Levels of a home: the columns of sql/site_day_level.sql, and the hourly means of sql/site_hour.sql."""

from __future__ import annotations

import numpy as np

from pipeline.tidy.compiled import (
    FALSE,
    NULL,
    TRUE,
    Bool,
    Float,
    above,
    add,
    below,
    compiled,
    is_same,
    numbered,
    put,
    quantile,
    reaches,
    tally,
)  # fmt: skip
from pipeline.tidy.rows import Lines, Rows

AT = numbered(
    """
    n_row n_l1 n_l2 n_pv n_volt n_net n_battery length_min covered_min n_dark n_dark_pv_live n_night n_sun
    n_neg_l1_night n_neg_l2_night n_neg_sum_night n_neg_l1_day n_neg_l2_day n_pv_sun n_balanced n_zero_l1
    n_zero_l2 n_zero_all n_zero_l1_dark n_zero_l2_dark n_gap_l1 n_gap_l2 n_low_l1 n_low_l2 n_lone_l1
    n_lone_l2 l1_dark_size l2_dark_size n_tiny_l1 n_tiny_l2 n_stale_l1 n_stale_l2 n_step_row n_drop_l1
    n_drop_l2 l1_night_w l2_night_w l1_day_w l2_day_w pv_day_w pv_dark_w l1_l1_night l2_l2_night l1_l2_night
    l1_l1_day l2_l2_day l1_l2_day pv_pv_day l1_pv_day l2_pv_day sky_n sky_x sky_xx l1_sky l2_sky pv_sky
    l1_all_w l2_all_w pv_all_w l1_l1_all l2_l2_all pv_pv_all pv_cos_w pv_sin_w l1_abs_wh l2_abs_wh pv_wh
    pv_abs_w pv_max_w l1_night_p05 l1_night_p50 l1_night_p95 l2_night_p05 l2_night_p50 l2_night_p95
    sum_night_p05 sum_night_p50 sum_night_p95 l1_night_min l2_night_min l1_v_sum l2_v_sum vdiff_vdiff
    """
)
LEVELS = AT._fields


@compiled
def levels(r: Rows, rows: int, length_min: float, quiet_w: float, lines: Lines, v: Float, k: Bool) -> None:
    """Work out LEVELS into `v` (0 before), and which of them are known into `k`."""
    zero_w, noise_w, drop_w = lines.zero_w, lines.noise_w, lines.drop_w
    v[AT.length_min], v[AT.covered_min], v[AT.n_row], v[AT.sky_n] = (
        length_min, rows * length_min, rows, rows
    )  # fmt: skip
    for at in (
        AT.n_row, AT.n_l1, AT.n_l2, AT.n_pv, AT.n_volt, AT.n_net, AT.n_battery, AT.length_min, AT.covered_min,
        AT.sky_n,
    ):  # fmt: skip
        k[at] = True
    was_zero1 = was_zero2 = NULL  # of the row before
    size1_before = size2_before = size1_twice = size2_twice = np.nan
    for i in range(rows):
        l1, l2, pv, sun_sin = r.l1_w[i], r.l2_w[i], r.pv_w[i], r.sun_sin[i]
        night, dark, live, step = r.is_night[i], r.is_dark[i], r.is_pv_live[i], r.is_step[i]
        light = TRUE - night
        size1, size2, size_pv = abs(l1), abs(l2), abs(pv)
        both = l1 + (l2 if l2 == l2 else 0.0)
        v[AT.n_l1] += l1 == l1
        v[AT.n_l2] += l2 == l2
        v[AT.n_pv] += pv == pv
        v[AT.n_volt] += r.vdiff_v[i] == r.vdiff_v[i]
        v[AT.n_net] += r.net_w[i] == r.net_w[i]
        v[AT.n_battery] += r.battery_w[i] == r.battery_w[i]
        zero1, zero2 = below(size1, zero_w), below(size2, zero_w)
        live1, live2 = above(size1, drop_w), above(size2, drop_w)
        sun_up = above(sun_sin, lines.sun_sin)
        open1, open2 = min(zero1, was_zero1, max(live2, live)), min(zero2, was_zero2, max(live1, live))
        tally(v, k, AT.n_dark, dark)
        tally(v, k, AT.n_dark_pv_live, min(dark, above(size_pv, quiet_w)))
        tally(v, k, AT.n_night, night)
        tally(v, k, AT.n_sun, sun_up)
        tally(v, k, AT.n_neg_l1_night, min(night, below(l1, -noise_w)))
        tally(v, k, AT.n_neg_l2_night, min(night, below(l2, -noise_w)))
        tally(v, k, AT.n_neg_sum_night, min(night, below(both, -noise_w)))
        tally(v, k, AT.n_neg_l1_day, min(light, below(l1, -noise_w)))
        tally(v, k, AT.n_neg_l2_day, min(light, below(l2, -noise_w)))
        tally(v, k, AT.n_pv_sun, min(sun_up, live))
        tally(v, k, AT.n_balanced, min(sun_up, live, below(abs(both), lines.balanced_w)))
        tally(v, k, AT.n_zero_l1, zero1)
        tally(v, k, AT.n_zero_l2, zero2)
        zero2_or_none = TRUE if zero2 == NULL else zero2
        tally(v, k, AT.n_zero_all, min(zero1, zero2_or_none, below(size_pv, zero_w), sun_up))
        tally(v, k, AT.n_zero_l1_dark, min(dark, zero1))
        tally(v, k, AT.n_zero_l2_dark, min(dark, zero2))
        tally(v, k, AT.n_gap_l1, min(night, zero1, live2))
        tally(v, k, AT.n_gap_l2, min(night, zero2, live1))
        tally(v, k, AT.n_low_l1, min(night, TRUE - zero1, below(size1, 5.0 * zero_w)))
        tally(v, k, AT.n_low_l2, min(night, TRUE - zero2, below(size2, 5.0 * zero_w)))
        tally(v, k, AT.n_lone_l1, open1)
        tally(v, k, AT.n_lone_l2, open2)
        tally(v, k, AT.n_tiny_l1, below(size1, lines.tiny_w))
        tally(v, k, AT.n_tiny_l2, below(size2, lines.tiny_w))
        d1 = l1 - r.l1_w[i - 1] if i > 0 else np.nan
        d2 = l2 - r.l2_w[i - 1] if i > 0 else np.nan
        tally(v, k, AT.n_stale_l1, min(step, is_same(d1, 0.0), reaches(size1, zero_w)))
        tally(v, k, AT.n_stale_l2, min(step, is_same(d2, 0.0), reaches(size2, zero_w)))
        tally(v, k, AT.n_step_row, step)
        tally(v, k, AT.n_drop_l1, min(step, open1, above(size1_twice, drop_w)))
        tally(v, k, AT.n_drop_l2, min(step, open2, above(size2_twice, drop_w)))
        is_asleep, is_awake = night == TRUE, night == FALSE
        add(v, k, AT.l1_night_w, l1, is_asleep)
        add(v, k, AT.l2_night_w, l2, is_asleep)
        add(v, k, AT.l1_day_w, l1, is_awake)
        add(v, k, AT.l2_day_w, l2, is_awake)
        add(v, k, AT.pv_day_w, pv, is_awake)
        add(v, k, AT.pv_dark_w, size_pv, dark == TRUE)
        add(v, k, AT.l1_l1_night, l1 * l1, is_asleep)
        add(v, k, AT.l2_l2_night, l2 * l2, is_asleep)
        add(v, k, AT.l1_l2_night, l1 * l2, is_asleep)
        add(v, k, AT.l1_l1_day, l1 * l1, is_awake)
        add(v, k, AT.l2_l2_day, l2 * l2, is_awake)
        add(v, k, AT.l1_l2_day, l1 * l2, is_awake)
        add(v, k, AT.pv_pv_day, pv * pv, is_awake)
        add(v, k, AT.l1_pv_day, l1 * pv, is_awake)
        add(v, k, AT.l2_pv_day, l2 * pv, is_awake)
        sky = sun_sin if sun_sin > 0.0 else 0.0
        add(v, k, AT.sky_x, sky, True)
        add(v, k, AT.sky_xx, sky * sky, True)
        add(v, k, AT.l1_sky, l1 * sky, True)
        add(v, k, AT.l2_sky, l2 * sky, True)
        add(v, k, AT.pv_sky, pv * sky, True)
        add(v, k, AT.l1_all_w, l1, True)
        add(v, k, AT.l2_all_w, l2, True)
        add(v, k, AT.pv_all_w, pv, True)
        add(v, k, AT.l1_l1_all, l1 * l1, True)
        add(v, k, AT.l2_l2_all, l2 * l2, True)
        add(v, k, AT.pv_pv_all, pv * pv, True)
        add(v, k, AT.pv_cos_w, pv * r.hour_cos[i], True)
        add(v, k, AT.pv_sin_w, pv * r.hour_sin[i], True)
        add(v, k, AT.l1_abs_wh, size1 * length_min / 60.0, True)
        add(v, k, AT.l2_abs_wh, size2 * length_min / 60.0, True)
        add(v, k, AT.pv_wh, pv * length_min / 60.0, True)
        add(v, k, AT.pv_abs_w, size_pv, True)
        if size_pv == size_pv:
            put(v, k, AT.pv_max_w, max(v[AT.pv_max_w], size_pv))
        if r.vdiff_v[i] == r.vdiff_v[i]:
            add(v, k, AT.l1_v_sum, r.l1_v[i], True)
            add(v, k, AT.l2_v_sum, r.l2_v[i], True)
            add(v, k, AT.vdiff_vdiff, r.vdiff_v[i] * r.vdiff_v[i], True)
        if min(night, TRUE - min(zero1, zero2_or_none)) == TRUE and l1 == l1:
            put(v, k, AT.l1_night_min, min(v[AT.l1_night_min], l1) if k[AT.l1_night_min] else l1)
        if min(night, TRUE - min(zero1, zero2)) == TRUE and l2 == l2:
            put(v, k, AT.l2_night_min, min(v[AT.l2_night_min], l2) if k[AT.l2_night_min] else l2)
        was_zero1, was_zero2 = zero1, zero2
        size1_twice, size2_twice, size1_before, size2_before = size1_before, size2_before, size1, size2


@compiled
def level_ranks(r: Rows, rows: int, room: Float, v: Float, k: Bool) -> None:
    """Work out the quantiles among LEVELS; `room` holds a home's rows."""
    for leg in range(2):
        size = 0
        for i in range(rows):
            one = r.l1_w[i] if leg == 0 else r.l2_w[i]
            if r.is_dark[i] == TRUE and one == one:
                room[size] = abs(one)
                size += 1
        room[:size].sort()
        put(v, k, AT.l1_dark_size if leg == 0 else AT.l2_dark_size, quantile(room, size, 0.9))
    for series in range(3):
        size = 0
        for i in range(rows):
            one = r.l1_w[i] if series == 0 else r.l2_w[i] if series == 1 else r.l1_w[i] + r.l2_w[i]
            if r.is_night[i] == TRUE and one == one:
                room[size] = one
                size += 1
        room[:size].sort()
        low, middle, high = (
            (AT.l1_night_p05, AT.l1_night_p50, AT.l1_night_p95) if series == 0
            else (AT.l2_night_p05, AT.l2_night_p50, AT.l2_night_p95) if series == 1
            else (AT.sum_night_p05, AT.sum_night_p50, AT.sum_night_p95)
        )  # fmt: skip
        put(v, k, low, quantile(room, size, 0.05))
        put(v, k, middle, quantile(room, size, 0.50))
        put(v, k, high, quantile(room, size, 0.95))


@compiled
def hours(r: Rows, rows: int, count: Float, total: Float) -> None:
    """Add rows to `count` (4, 24): all, with l1_w, l2_w and pv_w; and these three to `total` (3, 24) [W sum]."""
    for i in range(rows):
        hour = r.minute[i] // 60
        count[0, hour] += 1.0
        for series in range(3):
            one = r.l1_w[i] if series == 0 else r.l2_w[i] if series == 1 else r.pv_w[i]
            if one == one:
                count[1 + series, hour] += 1.0
                total[series, hour] += one

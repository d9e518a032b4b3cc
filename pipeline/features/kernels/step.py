"""Steps of a home: the columns of sql/site_day_step.sql."""

from __future__ import annotations

import numpy as np

from pipeline.features.kernels.compiled import (
    FALSE,
    TRUE,
    Float,
    Int,
    above,
    add,
    below,
    compiled,
    numbered,
    put_sums,
    quantile,
    reaches,
    sort,
    tally,
)  # fmt: skip
from pipeline.features.kernels.rows import Rows, Thresholds

AT = numbered(
    """
    d_n_n d_n_d vd_n_n vd_n_d n_active_n n_active_d n_equal_n n_equal_d n_mirror_n n_mirror_d n_pair n_pair_same
    n_pair_opposite n_leak_l1 n_leak_l2 n_glitch_l1 n_glitch_l2
    """
)
COUNTS = AT._fields
SUM = numbered(
    """
    d11_n d22_n d12_n vd_11_n vd_22_n vd_12_n vd_1v_n vd_2v_n vd_vv_n vm_1m_n vm_2m_n vm_mm_n vm_vm_n d11_d
    d22_d d12_d dpp_d d1p_d d2p_d vd_11_d vd_22_d vd_12_d vd_1v_d vd_2v_d vd_vv_d vd_pp_d vd_1p_d vd_2p_d
    vd_pv_d vm_1m_d vm_2m_d vm_pm_d vm_mm_d vm_vm_d
    """
)
SUMS = SUM._fields
ONE = numbered("pair_log_ratio leak_l1 leak_l2 leak_least_l1 leak_least_l2")
ONES = ONE._fields


@compiled
def sum_steps(r: Rows, rows: int, sums: Float, value: Float) -> None:
    """Put SUMS into `value`; `sums` has space for them, 0 before.

    Parameters
    ----------
    r
        Rows of a home, an array of ROW.
    rows
        How many there are.
    sums
        Shape (SUMS,) or longer, 0 before.
    value
        Shape (SUMS,), written to.
    """
    seen = 0
    for i in range(1, rows):
        if r[i].is_step == FALSE:
            continue
        is_asleep = r[i].is_night == TRUE
        d1, d2 = r[i].l1_w - r[i - 1].l1_w, r[i].l2_w - r[i - 1].l2_w
        dp = r[i].probe_w - r[i - 1].probe_w
        dv, dm = r[i].vdiff_v - r[i - 1].vdiff_v, r[i].vmean_v - r[i - 1].vmean_v
        has_legs = (d1 == d1) & (d2 == d2)
        has_volt = _has_volt(r, i, dv, dp, has_legs)
        if is_asleep:
            seen |= add(sums, SUM.d11_n, d1 * d1, has_legs)
            seen |= add(sums, SUM.d22_n, d2 * d2, has_legs)
            seen |= add(sums, SUM.d12_n, d1 * d2, has_legs)
            seen |= add(sums, SUM.vd_11_n, d1 * d1, has_volt)
            seen |= add(sums, SUM.vd_22_n, d2 * d2, has_volt)
            seen |= add(sums, SUM.vd_12_n, d1 * d2, has_volt)
            seen |= add(sums, SUM.vd_1v_n, d1 * dv, has_volt)
            seen |= add(sums, SUM.vd_2v_n, d2 * dv, has_volt)
            seen |= add(sums, SUM.vd_vv_n, dv * dv, has_volt)
            seen |= add(sums, SUM.vm_1m_n, d1 * dm, True)
            seen |= add(sums, SUM.vm_2m_n, d2 * dm, True)
            seen |= add(sums, SUM.vm_mm_n, dm * dm, True)
            seen |= add(sums, SUM.vm_vm_n, dv * dm, True)
        else:
            seen |= add(sums, SUM.d11_d, d1 * d1, has_legs)
            seen |= add(sums, SUM.d22_d, d2 * d2, has_legs)
            seen |= add(sums, SUM.d12_d, d1 * d2, has_legs)
            seen |= add(sums, SUM.dpp_d, dp * dp, True)
            seen |= add(sums, SUM.d1p_d, d1 * dp, True)
            seen |= add(sums, SUM.d2p_d, d2 * dp, True)
            seen |= add(sums, SUM.vd_11_d, d1 * d1, has_volt)
            seen |= add(sums, SUM.vd_22_d, d2 * d2, has_volt)
            seen |= add(sums, SUM.vd_12_d, d1 * d2, has_volt)
            seen |= add(sums, SUM.vd_1v_d, d1 * dv, has_volt)
            seen |= add(sums, SUM.vd_2v_d, d2 * dv, has_volt)
            seen |= add(sums, SUM.vd_vv_d, dv * dv, has_volt)
            seen |= add(sums, SUM.vd_pp_d, dp * dp, has_volt)
            seen |= add(sums, SUM.vd_1p_d, d1 * dp, has_volt)
            seen |= add(sums, SUM.vd_2p_d, d2 * dp, has_volt)
            seen |= add(sums, SUM.vd_pv_d, dp * dv, has_volt)
            seen |= add(sums, SUM.vm_1m_d, d1 * dm, True)
            seen |= add(sums, SUM.vm_2m_d, d2 * dm, True)
            seen |= add(sums, SUM.vm_pm_d, dp * dm, True)
            seen |= add(sums, SUM.vm_mm_d, dm * dm, True)
            seen |= add(sums, SUM.vm_vm_d, dv * dm, True)
    put_sums(value, sums, seen)


@compiled
def count_steps(r: Rows, rows: int, thresholds: Thresholds, scratch: Float, n: Int, value: Float) -> int:
    """Tally COUNTS in `n`, 0 before, and put ONES into `value`; return how many steps there are.

    `scratch` (3, rows) is to write in.

    Parameters
    ----------
    r
        Rows of a home, an array of ROW.
    rows
        How many there are.
    thresholds
        The settings' numbers.
    scratch
        Scratch of shape (3, rows).
    n
        Shape (COUNTS,), written to.
    value
        Shape (ONES,), written to.
    """
    value[:] = np.nan
    steps = pairs = leaks1 = leaks2 = 0
    for i in range(1, rows):
        if r[i].is_step == FALSE:
            continue
        steps += 1
        l1, l2, was1, was2 = r[i].l1_w, r[i].l2_w, r[i - 1].l1_w, r[i - 1].l2_w
        night, calm = r[i].is_night, r[i].is_calm
        d1, d2, dp = l1 - was1, l2 - was2, r[i].probe_w - r[i - 1].probe_w
        light = TRUE - night
        has_volt = _has_volt(r, i, r[i].vdiff_v - r[i - 1].vdiff_v, dp, (d1 == d1) & (d2 == d2))
        tally(n, AT.d_n_n, night)
        tally(n, AT.d_n_d, light)
        tally(n, AT.vd_n_n, min(night, TRUE * has_volt))
        tally(n, AT.vd_n_d, min(light, TRUE * has_volt))
        size1, size2 = abs(d1), abs(d2)
        bigger = size1 if size2 != size2 or size1 > size2 else size2
        active = reaches(bigger, thresholds.active_w)
        near = thresholds.alike_w + thresholds.alike_share * bigger
        equal, mirror = TRUE - above(abs(d1 - d2), near), TRUE - above(abs(d1 + d2), near)
        tally(n, AT.n_active_n, min(night, active))
        tally(n, AT.n_active_d, min(light, active))
        tally(n, AT.n_equal_n, min(night, active, equal))
        tally(n, AT.n_equal_d, min(light, active, equal))
        tally(n, AT.n_mirror_n, min(night, active, mirror))
        tally(n, AT.n_mirror_d, min(light, active, mirror))
        pair = min(calm, reaches(size1, thresholds.pair_w), reaches(size2, thresholds.pair_w))
        log = np.nan
        if pair == TRUE and size1 > 0.0 and size2 > 0.0:
            log = np.log(abs(d2 / d1))
        pair = min(pair, below(abs(log), thresholds.pair_log_range))
        product = d1 * d2
        tally(n, AT.n_pair, pair)
        tally(n, AT.n_pair_same, min(pair, above(product, 0.0)))
        tally(n, AT.n_pair_opposite, min(pair, below(product, 0.0)))
        if pair == TRUE:
            scratch[0, pairs] = log
            pairs += 1
        leak1 = min(calm, reaches(size2, thresholds.leak_w), below(size1, 0.5 * size2))
        leak2 = min(calm, reaches(size1, thresholds.leak_w), below(size2, 0.5 * size1))
        tally(n, AT.n_leak_l1, leak1)
        tally(n, AT.n_leak_l2, leak2)
        if leak1 == TRUE:
            scratch[1, leaks1] = d1 / d2
            leaks1 += 1
        if leak2 == TRUE:
            scratch[2, leaks2] = d2 / d1
            leaks2 += 1
        tally(n, AT.n_glitch_l1, _glitch(l1, was1, thresholds))
        tally(n, AT.n_glitch_l2, _glitch(l2, was2, thresholds))
    sort(scratch[0], pairs)
    value[ONE.pair_log_ratio] = quantile(scratch[0], pairs, 0.5)
    for leg in range(2):
        copied, count = (scratch[1], leaks1) if leg == 0 else (scratch[2], leaks2)
        if count > 0:
            sort(copied, count)
            least = max(quantile(copied, count, 0.25), 0.0) + min(quantile(copied, count, 0.75), 0.0)
            value[ONE.leak_l1 if leg == 0 else ONE.leak_l2] = quantile(copied, count, 0.5)
            value[ONE.leak_least_l1 if leg == 0 else ONE.leak_least_l2] = least
    return steps


@compiled
def _has_volt(r: Rows, i: int, dv: float, dp: float, has_legs: bool) -> bool:
    """Return whether a step tells of leg voltages: all of it is known, by day the probe too if there is one."""
    is_driven = (r[i].is_night == TRUE) | (dp == dp) | (r[i].probe_w != r[i].probe_w)
    return bool(has_legs & (dv == dv) & is_driven)


@compiled
def _glitch(now: float, was: float, thresholds: Thresholds) -> int:
    size = abs(now)
    return min(
        below(now * was, 0.0),
        below(abs(now + was), thresholds.glitch_share * size),
        above(size, thresholds.drop_w),
    )

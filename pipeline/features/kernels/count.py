"""Counts of a home's levels: the tallies of sql/site_day_level.sql."""

from __future__ import annotations

import numpy as np

from pipeline.features.kernels.compiled import (
    NULL,
    TRUE,
    Int,
    above,
    below,
    compiled,
    is_same,
    numbered,
    reaches,
    tally,
)
from pipeline.features.kernels.rows import Rows, Thresholds

AT = numbered(
    """
    n_dark n_dark_pv_live n_night n_sun n_neg_l1_night n_neg_l2_night n_neg_sum_night n_neg_l1_day n_neg_l2_day
    n_pv_sun n_balanced n_zero_l1 n_zero_l2 n_zero_all n_zero_l1_dark n_zero_l2_dark n_gap_l1 n_gap_l2 n_low_l1
    n_low_l2 n_lone_l1 n_lone_l2 n_tiny_l1 n_tiny_l2 n_stale_l1 n_stale_l2 n_step_row n_drop_l1 n_drop_l2
    """
)
COUNTS = AT._fields


@compiled
def count_levels(r: Rows, rows: int, quiet_w: float, thresholds: Thresholds, n: Int) -> None:
    """Tally COUNTS in `n`, 0 before.

    Parameters
    ----------
    r
        Rows of a home, an array of ROW.
    rows
        How many there are.
    quiet_w
        Production below it is none [W].
    thresholds
        The settings' numbers.
    n
        Shape (COUNTS,), written to.
    """
    zero_w, noise_w, drop_w = thresholds.zero_w, thresholds.noise_w, thresholds.drop_w
    was_zero1 = was_zero2 = NULL  # of the row before
    size1_before = size2_before = size1_twice = size2_twice = np.nan
    for i in range(rows):
        l1, l2, pv, sun_sin = r[i].l1_w, r[i].l2_w, r[i].pv_w, r[i].sun_sin
        night, dark, live, step = r[i].is_night, r[i].is_dark, r[i].is_pv_live, r[i].is_step
        light = TRUE - night
        size1, size2, size_pv = abs(l1), abs(l2), abs(pv)
        both = l1 + (l2 if l2 == l2 else 0.0)
        zero1, zero2 = below(size1, zero_w), below(size2, zero_w)
        live1, live2 = above(size1, drop_w), above(size2, drop_w)
        sun_up = above(sun_sin, thresholds.sun_sin)
        open1, open2 = min(zero1, was_zero1, max(live2, live)), min(zero2, was_zero2, max(live1, live))
        tally(n, AT.n_dark, dark)
        tally(n, AT.n_dark_pv_live, min(dark, above(size_pv, quiet_w)))
        tally(n, AT.n_night, night)
        tally(n, AT.n_sun, sun_up)
        tally(n, AT.n_neg_l1_night, min(night, below(l1, -noise_w)))
        tally(n, AT.n_neg_l2_night, min(night, below(l2, -noise_w)))
        tally(n, AT.n_neg_sum_night, min(night, below(both, -noise_w)))
        tally(n, AT.n_neg_l1_day, min(light, below(l1, -noise_w)))
        tally(n, AT.n_neg_l2_day, min(light, below(l2, -noise_w)))
        tally(n, AT.n_pv_sun, min(sun_up, live))
        tally(n, AT.n_balanced, min(sun_up, live, below(abs(both), thresholds.balanced_w)))
        tally(n, AT.n_zero_l1, zero1)
        tally(n, AT.n_zero_l2, zero2)
        zero2_or_none = TRUE if zero2 == NULL else zero2
        tally(n, AT.n_zero_all, min(zero1, zero2_or_none, below(size_pv, zero_w), sun_up))
        tally(n, AT.n_zero_l1_dark, min(dark, zero1))
        tally(n, AT.n_zero_l2_dark, min(dark, zero2))
        tally(n, AT.n_gap_l1, min(night, zero1, live2))
        tally(n, AT.n_gap_l2, min(night, zero2, live1))
        tally(n, AT.n_low_l1, min(night, TRUE - zero1, below(size1, 5.0 * zero_w)))
        tally(n, AT.n_low_l2, min(night, TRUE - zero2, below(size2, 5.0 * zero_w)))
        tally(n, AT.n_lone_l1, open1)
        tally(n, AT.n_lone_l2, open2)
        tally(n, AT.n_tiny_l1, below(size1, thresholds.tiny_w))
        tally(n, AT.n_tiny_l2, below(size2, thresholds.tiny_w))
        d1 = l1 - r[i - 1].l1_w if i > 0 else np.nan
        d2 = l2 - r[i - 1].l2_w if i > 0 else np.nan
        tally(n, AT.n_stale_l1, min(step, is_same(d1, 0.0), reaches(size1, zero_w)))
        tally(n, AT.n_stale_l2, min(step, is_same(d2, 0.0), reaches(size2, zero_w)))
        tally(n, AT.n_step_row, step)
        tally(n, AT.n_drop_l1, min(step, open1, above(size1_twice, drop_w)))
        tally(n, AT.n_drop_l2, min(step, open2, above(size2_twice, drop_w)))
        was_zero1, was_zero2 = zero1, zero2
        size1_twice, size2_twice, size1_before, size2_before = size1_before, size2_before, size1, size2

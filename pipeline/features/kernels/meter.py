"""A home beside its utility meter: the columns of sql/site_day_meter.sql."""

from __future__ import annotations

import numpy as np

from pipeline.features.kernels.compiled import FALSE, TRUE, Float, add, compiled, numbered, put_sums
from pipeline.features.kernels.rows import Rows

SUM = numbered(
    """
    nm_nn nm_n1 nm_n2 nm_np nm_nb nm_11 nm_22 nm_12 nm_1p nm_2p nm_pp nm_1b nm_2b nm_pb nm_bb ne_n
    ne_net ne_l1 ne_l2 ne_pv ne_battery
    """
)
SUMS = SUM._fields
ONE = numbered("nm_n ne_n")
ONES = ONE._fields


@compiled
def metered(r: Rows, rows: int, sums: Float, value: Float, ones: Float) -> None:
    """Put SUMS into `value` and ONES into `ones`, NaN without a meter's reading; `sums` has room for SUMS, 0 before.

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
    ones
        Shape (ONES,), written to.
    """
    seen = 0
    steps = there = 0
    has_l2 = has_pv = False
    for i in range(rows):
        has_l2 |= r[i].l2_w == r[i].l2_w
        has_pv |= r[i].pv_w == r[i].pv_w
    for i in range(rows):
        net, l1 = r[i].net_w, r[i].l1_w
        if net != net or l1 != l1:
            continue
        there += 1
        seen |= add(sums, SUM.ne_net, net, True)
        seen |= add(sums, SUM.ne_l1, l1, True)
        seen |= add(sums, SUM.ne_l2, r[i].l2_w, True)
        seen |= add(sums, SUM.ne_pv, _or_0(r[i].pv_w), True)
        seen |= add(sums, SUM.ne_battery, _or_0(r[i].battery_w), True)
        if r[i].is_step == FALSE:
            continue
        dn, d1, d2 = net - r[i - 1].net_w, l1 - r[i - 1].l1_w, r[i].l2_w - r[i - 1].l2_w
        dp, db = r[i].pv_w - r[i - 1].pv_w, _or_0(r[i].battery_w - r[i - 1].battery_w)
        if dn != dn or d1 != d1 or (has_l2 and d2 != d2):
            continue
        if has_pv and dp != dp and r[i].is_night != TRUE:
            continue
        steps += 1
        seen |= add(sums, SUM.nm_nn, dn * dn, True)
        seen |= add(sums, SUM.nm_n1, dn * d1, True)
        seen |= add(sums, SUM.nm_n2, dn * _or_0(d2), True)
        seen |= add(sums, SUM.nm_np, dn * dp, True)
        seen |= add(sums, SUM.nm_nb, dn * db, True)
        seen |= add(sums, SUM.nm_11, d1 * d1, True)
        seen |= add(sums, SUM.nm_22, _or_0(d2 * d2), True)
        seen |= add(sums, SUM.nm_12, _or_0(d1 * d2), True)
        seen |= add(sums, SUM.nm_1p, d1 * dp, True)
        seen |= add(sums, SUM.nm_2p, _or_0(d2 * dp), True)
        seen |= add(sums, SUM.nm_pp, dp * dp, True)
        seen |= add(sums, SUM.nm_1b, d1 * db, True)
        seen |= add(sums, SUM.nm_2b, _or_0(d2 * db), True)
        seen |= add(sums, SUM.nm_pb, dp * db, True)
        seen |= add(sums, SUM.nm_bb, db * db, True)
    put_sums(value, sums, seen)
    ones[ONE.nm_n] = float(steps) if there else np.nan
    ones[ONE.ne_n] = float(there) if there else np.nan


@compiled
def _or_0(value: float) -> float:
    return value if value == value else 0.0

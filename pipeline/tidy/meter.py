"""A home beside its utility meter: the columns of sql/site_day_meter.sql."""

from __future__ import annotations

from pipeline.tidy.compiled import FALSE, TRUE, Bool, Float, add, compiled, numbered
from pipeline.tidy.rows import Rows

AT = numbered(
    """
    nm_n nm_nn nm_n1 nm_n2 nm_np nm_nb nm_11 nm_22 nm_12 nm_1p nm_2p nm_pp nm_1b nm_2b nm_pb nm_bb ne_n
    ne_net ne_l1 ne_l2 ne_pv ne_battery
    """
)
METER = AT._fields


@compiled
def meter(r: Rows, rows: int, v: Float, k: Bool) -> None:
    """Work out METER into `v` (0 before), and which of them are known into `k`: none without a meter's reading."""
    has_l2 = has_pv = False
    for i in range(rows):
        has_l2 |= r.l2_w[i] == r.l2_w[i]
        has_pv |= r.pv_w[i] == r.pv_w[i]
    for i in range(rows):
        net, l1 = r.net_w[i], r.l1_w[i]
        if net != net or l1 != l1:
            continue
        k[AT.nm_n] = k[AT.ne_n] = True
        v[AT.ne_n] += 1.0
        add(v, k, AT.ne_net, net, True)
        add(v, k, AT.ne_l1, l1, True)
        add(v, k, AT.ne_l2, r.l2_w[i], True)
        add(v, k, AT.ne_pv, _or_0(r.pv_w[i]), True)
        add(v, k, AT.ne_battery, _or_0(r.battery_w[i]), True)
        if r.is_step[i] == FALSE:
            continue
        dn, d1, d2 = net - r.net_w[i - 1], l1 - r.l1_w[i - 1], r.l2_w[i] - r.l2_w[i - 1]
        dp, db = r.pv_w[i] - r.pv_w[i - 1], _or_0(r.battery_w[i] - r.battery_w[i - 1])
        if dn != dn or d1 != d1 or (has_l2 and d2 != d2):
            continue
        if has_pv and dp != dp and r.is_night[i] != TRUE:
            continue
        v[AT.nm_n] += 1.0
        add(v, k, AT.nm_nn, dn * dn, True)
        add(v, k, AT.nm_n1, dn * d1, True)
        add(v, k, AT.nm_n2, dn * _or_0(d2), True)
        add(v, k, AT.nm_np, dn * dp, True)
        add(v, k, AT.nm_nb, dn * db, True)
        add(v, k, AT.nm_11, d1 * d1, True)
        add(v, k, AT.nm_22, _or_0(d2 * d2), True)
        add(v, k, AT.nm_12, _or_0(d1 * d2), True)
        add(v, k, AT.nm_1p, d1 * dp, True)
        add(v, k, AT.nm_2p, _or_0(d2 * dp), True)
        add(v, k, AT.nm_pp, dp * dp, True)
        add(v, k, AT.nm_1b, d1 * db, True)
        add(v, k, AT.nm_2b, _or_0(d2 * db), True)
        add(v, k, AT.nm_pb, dp * db, True)
        add(v, k, AT.nm_bb, db * db, True)


@compiled
def _or_0(value: float) -> float:
    return value if value == value else 0.0

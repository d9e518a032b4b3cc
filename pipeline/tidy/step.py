"""Steps of many homes: the columns of sql/site_day_step.sql and sql/site_day_meter.sql."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.tidy.grid import Bool, Regime, before, known, quantiles, tally

Columns = dict[str, NDArray[Any]]


def steps(r: Regime, day: dict[str, Any]) -> Columns:
    """Return site_day_step's columns but site_key, an entry a home; NaN is null, and all is where there is no step."""
    has, step = r.grid.has, r.step
    d1, d2, dp = step["l1_w"], step["l2_w"], step["probe_w"]
    has1, has2, has_pv = has["l1_w"], has["l2_w"], has["pv_w"]
    legs = has1 & has2
    night, light = r.is_step & r.is_night, r.is_step & ~r.is_night
    volt = r.is_step & r.has_volt & before(r.has_volt)
    any_step = r.is_step.any(axis=1)
    out: Columns = {}
    for end, rows in (("n", night), ("d", light)):
        there = rows.any(axis=1)
        one, two, probe = d1 * rows, d2 * rows, dp * rows
        out |= {
            f"d_n_{end}": np.count_nonzero(rows, axis=1),
            f"d11_{end}": known(np.vecdot(one, d1), legs & there),
            f"d22_{end}": known(np.vecdot(two, d2), legs & there),
            f"d12_{end}": known(np.vecdot(one, d2), legs & there),
        }
        if end == "d":
            out["dpp_d"] = known(np.vecdot(probe, dp), has_pv & there)
            out["d1p_d"] = known(np.vecdot(one, dp), has1 & has_pv & there)
            out["d2p_d"] = known(np.vecdot(two, dp), has2 & has_pv & there)
        out |= _volts(r, rows & volt, end)
    out |= _alike(r, night, light, day)
    found = {name: known(column, any_step) for name, column in out.items()}
    return found


def _volts(r: Regime, rows: Bool, end: str) -> Columns:
    has, step = r.grid.has, r.step
    has1, has2, has_pv = has["l1_w"], has["l2_w"], has["pv_w"]
    there = rows.any(axis=1)
    legs = has1 & has2 & there
    d1, d2, dp = step["l1_w"], step["l2_w"], step["probe_w"]
    apart, middle = step["vdiff_v"] * rows, step["vmean_v"] * rows
    one, two, probe = d1 * rows, d2 * rows, dp * rows
    out = {
        f"vd_n_{end}": np.count_nonzero(rows, axis=1) * (has1 & has2),
        f"vd_11_{end}": known(np.vecdot(one, d1), legs), f"vd_22_{end}": known(np.vecdot(two, d2), legs),
        f"vd_12_{end}": known(np.vecdot(one, d2), legs), f"vd_1v_{end}": known(np.vecdot(d1, apart), legs),
        f"vd_2v_{end}": known(np.vecdot(d2, apart), legs), f"vd_vv_{end}": known(np.vecdot(apart, apart), legs),
        f"vm_1m_{end}": known(np.vecdot(d1, middle), has1 & there),
        f"vm_2m_{end}": known(np.vecdot(d2, middle), has2 & there),
        f"vm_mm_{end}": known(np.vecdot(middle, middle), there),
        f"vm_vm_{end}": known(np.vecdot(apart, middle), there),
    }  # fmt: skip
    if end == "d":
        out |= {
            "vd_pp_d": known(np.vecdot(probe, dp), legs & has_pv),
            "vd_1p_d": known(np.vecdot(one, dp), legs & has_pv),
            "vd_2p_d": known(np.vecdot(two, dp), legs & has_pv),
            "vd_pv_d": known(np.vecdot(dp, apart), legs & has_pv),
            "vm_pm_d": known(np.vecdot(dp, middle), has_pv & there),
        }
    return out


def _alike(r: Regime, night: Bool, light: Bool, day: dict[str, Any]) -> Columns:
    no1, no2 = ~r.grid.has["l1_w"][:, None], ~r.grid.has["l2_w"][:, None]
    none = no1 | no2
    d1, d2, rows = r.step["l1_w"], r.step["l2_w"], r.is_step
    size1, size2 = np.abs(d1), np.abs(d2)
    bigger = np.maximum(size1, size2)
    active = bigger >= day["active_w"]
    near = day["alike_w"] + day["alike_share"] * bigger
    equal, mirror = (np.abs(d1 - d2) <= near, none), (np.abs(d1 + d2) <= near, none)
    leaks1 = r.is_calm, (size2 >= day["leak_w"], no2), (size1 < 0.5 * size2, none)
    leaks2 = r.is_calm, (size1 >= day["leak_w"], no1), (size2 < 0.5 * size1, none)
    leak1, leak2 = (a & ~none & b[0] & c[0] for a, b, c in (leaks1, leaks2))
    large1, large2 = size1 >= day["pair_w"], size2 >= day["pair_w"]
    pair = r.is_calm & ~none & large1 & large2 & (d1 != 0) & (d2 != 0)
    log = np.zeros_like(d1)
    log[pair] = np.log(np.abs(d2[pair] / d1[pair]))
    close = np.abs(log) < day["pair_log_range"]
    pair &= close
    pairs = r.is_calm, (large1, no1), (large2, no2), (close, none)
    copied1, copied2 = np.zeros_like(d1), np.zeros_like(d1)
    np.divide(d1, d2, out=copied1, where=leak1)
    np.divide(d2, d1, out=copied2, where=leak2)
    (ratio,) = quantiles(log, pair, (0.5,))
    low1, middle1, high1 = quantiles(copied1, leak1, (0.25, 0.5, 0.75))
    low2, middle2, high2 = quantiles(copied2, leak2, (0.25, 0.5, 0.75))
    same = d1 * d2
    out: Columns = {
        "n_active_n": tally(rows, night, active), "n_active_d": tally(rows, light, active),
        "n_equal_n": tally(rows, night, active, equal), "n_equal_d": tally(rows, light, active, equal),
        "n_mirror_n": tally(rows, night, active, mirror), "n_mirror_d": tally(rows, light, active, mirror),
        "n_pair": tally(rows, *pairs), "n_pair_same": tally(rows, *pairs, (same > 0, none)),
        "n_pair_opposite": tally(rows, *pairs, (same < 0, none)), "pair_log_ratio": ratio,
        "n_leak_l1": tally(rows, *leaks1), "n_leak_l2": tally(rows, *leaks2), "leak_l1": middle1, "leak_l2": middle2,
        "leak_least_l1": np.maximum(low1, 0.0) + np.minimum(high1, 0.0),
        "leak_least_l2": np.maximum(low2, 0.0) + np.minimum(high2, 0.0),
    }  # fmt: skip
    for leg, none in (("l1", no1), ("l2", no2)):
        now = r.grid.values[f"{leg}_w"]
        was, size = before(now), np.abs(now)
        turned = (now * was < 0, none), (np.abs(now + was) < day["glitch_share"] * size, none)
        out[f"n_glitch_{leg}"] = tally(rows, *turned, (size > day["drop_w"], none))
    return out


def meter(r: Regime) -> Columns:
    """Return site_day_meter's columns but site_key, all NaN for a home without a utility meter's reading."""
    has, step, value = r.grid.has, r.step, r.grid.values
    read = r.has_net & has["l1_w"]
    there = read & r.is_step.any(axis=1)
    pv = there & has["pv_w"]
    # A difference of two readings is null on the first row of the day only, and that is no step.
    net, d1, d2, dp, db = (step[name] for name in ("net_w", "l1_w", "l2_w", "pv_w", "battery_w"))
    pairs = {
        "nm_nn": (net, net, there), "nm_n1": (net, d1, there), "nm_n2": (net, d2, there), "nm_np": (net, dp, pv),
        "nm_nb": (net, db, there), "nm_11": (d1, d1, there), "nm_22": (d2, d2, there), "nm_12": (d1, d2, there),
        "nm_1p": (d1, dp, pv), "nm_2p": (d2, dp, there), "nm_pp": (dp, dp, pv), "nm_1b": (d1, db, there),
        "nm_2b": (d2, db, there), "nm_pb": (dp, db, pv), "nm_bb": (db, db, there),
    }  # fmt: skip
    rows = r.grid.is_row.sum(axis=1)
    out: Columns = {"nm_n": known(np.count_nonzero(r.is_step, axis=1), read)}
    out |= {name: known(np.vecdot(a, b), where) for name, (a, b, where) in pairs.items()}
    out |= {
        "ne_n": known(rows, read), "ne_net": known(r.net_w.sum(axis=1), read),
        "ne_l1": known(value["l1_w"].sum(axis=1), read),
        "ne_l2": known(value["l2_w"].sum(axis=1), read & has["l2_w"]),
        "ne_pv": known(value["pv_w"].sum(axis=1), read),
        "ne_battery": known(value["battery_w"].sum(axis=1), read),
    }  # fmt: skip
    return out

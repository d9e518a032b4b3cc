"""Levels of many homes: the columns of sql/site_day_level.sql, and the hourly means."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.tidy.grid import Bool, Float, Regime, before, known, quantiles, tally


def levels(r: Regime, day: dict[str, Any]) -> dict[str, NDArray[Any]]:
    """Return site_day_level's columns but site_key, an entry a home; NaN is null."""
    grid, value, has = r.grid, r.grid.values, r.grid.has
    row, night = grid.is_row, r.is_night
    light = row & ~night
    l1, l2, pv = value["l1_w"], value["l2_w"], value["pv_w"]
    has1, has2, has_pv = has["l1_w"], has["l2_w"], has["pv_w"]
    rows = row.sum(axis=1)
    size1, size2, size_pv = np.abs(l1), np.abs(l2), np.abs(pv)
    no1, no2, no_pv = ~has1[:, None], ~has2[:, None], ~has_pv[:, None]
    row1, row2 = row & ~no1, row & ~no2
    zero1, zero2 = row1 & (size1 < day["zero_w"]), row2 & (size2 < day["zero_w"])
    live1, live2 = row1 & (size1 > day["drop_w"]), row2 & (size2 > day["drop_w"])
    live = r.is_pv_live
    # Zero twice running while something else lives; the first row has no row before it.
    open1 = (zero1, no1), (before(zero1), _first(row) | no1), (live2 | live, no2 & ~live)
    open2 = (zero2, no2), (before(zero2), _first(row) | no2), (live1 | live, no1 & ~live)
    sun_up = (row & (r.sun_sin > day["sun_sin"]), ~r.is_placed[:, None])
    both = l1 + l2  # an absent leg 2 is 0; an absent leg 1 has no sum
    stepped, noise = r.is_step, day["noise_w"]
    out: dict[str, NDArray[Any]] = {
        "n_row": rows, "n_l1": rows * has1, "n_l2": rows * has2, "n_pv": rows * has_pv,
        "n_volt": r.has_volt.sum(axis=1), "n_net": rows * r.has_net, "n_battery": rows * has["battery_w"],
        "length_min": np.full(len(rows), grid.length_min), "covered_min": rows * grid.length_min,
        "n_dark": tally(row, r.is_dark),
        "n_dark_pv_live": tally(row, r.is_dark, (size_pv > r.sky.pv_quiet_w[:, None], no_pv)),
        "n_night": tally(row, night), "n_sun": tally(row, sun_up),
        "n_neg_l1_night": tally(row, night, (l1 < -noise, no1)),
        "n_neg_l2_night": tally(row, night, (l2 < -noise, no2)),
        "n_neg_sum_night": tally(row, night, (both < -noise, no1)),
        "n_neg_l1_day": tally(row, light, (l1 < -noise, no1)),
        "n_neg_l2_day": tally(row, light, (l2 < -noise, no2)),
        "n_pv_sun": tally(row, sun_up, live),
        "n_balanced": tally(row, sun_up, live, (np.abs(both) < day["balanced_w"], no1)),
        "n_zero_l1": tally(row, (zero1, no1)), "n_zero_l2": tally(row, (zero2, no2)),
        "n_zero_all": tally(row, (zero1, no1), zero2 | no2, (size_pv < day["zero_w"], no_pv), sun_up),
        "n_zero_l1_dark": tally(row, r.is_dark, (zero1, no1)), "n_zero_l2_dark": tally(row, r.is_dark, (zero2, no2)),
        "n_gap_l1": tally(row, night, (zero1, no1), (live2, no2)),
        "n_gap_l2": tally(row, night, (zero2, no2), (live1, no1)),
        "n_low_l1": tally(row, night, (row1 & ~zero1, no1), (size1 < 5 * day["zero_w"], no1)),
        "n_low_l2": tally(row, night, (row2 & ~zero2, no2), (size2 < 5 * day["zero_w"], no2)),
        "n_lone_l1": tally(row, *open1), "n_lone_l2": tally(row, *open2),
        "n_tiny_l1": tally(row, (size1 < day["tiny_w"], no1)), "n_tiny_l2": tally(row, (size2 < day["tiny_w"], no2)),
        "n_stale_l1": tally(row, stepped, (r.step["l1_w"] == 0, no1), (size1 >= day["zero_w"], no1)),
        "n_stale_l2": tally(row, stepped, (r.step["l2_w"] == 0, no2), (size2 >= day["zero_w"], no2)),
        "n_step_row": tally(row, stepped),
        "n_drop_l1": tally(row, stepped, *open1, (before(size1, 2) > day["drop_w"], no1)),
        "n_drop_l2": tally(row, stepped, *open2, (before(size2, 2) > day["drop_w"], no2)),
    }  # fmt: skip
    out |= _sums(r, light)
    (out["l1_dark_size"],) = quantiles(size1, r.is_dark & row1, (0.9,))
    (out["l2_dark_size"],) = quantiles(size2, r.is_dark & row2, (0.9,))
    for name, series, known_here in (("l1", l1, row1), ("l2", l2, row2), ("sum", both, row1 & row2)):
        found = quantiles(series, night & known_here, (0.05, 0.50, 0.95))
        out |= dict(zip((f"{name}_night_p05", f"{name}_night_p50", f"{name}_night_p95"), found, strict=True))
    out["l1_night_min"] = _least(l1, night & row1 & ~(zero1 & (zero2 | ~row2)))
    out["l2_night_min"] = _least(l2, night & row2 & ~(zero1 & zero2) & ~(zero2 & ~row1))
    return out


def _sums(r: Regime, light: Bool) -> dict[str, Float]:
    value, has, night, row = r.grid.values, r.grid.has, r.is_night, r.grid.is_row
    l1, l2, pv = value["l1_w"], value["l2_w"], value["pv_w"]
    has1, has2, has_pv = has["l1_w"], has["l2_w"], has["pv_w"]
    any_night, any_light, any_dark = night.any(axis=1), light.any(axis=1), r.is_dark.any(axis=1)
    night1, night2, light1, light2, light_pv = l1 * night, l2 * night, l1 * light, l2 * light, pv * light
    sky = np.where(row & r.is_placed[:, None], np.fmax(r.sun_sin, 0.0), 0.0)
    placed, rows, length = r.is_placed, row.sum(axis=1), r.grid.length_min
    out = {
        "l1_night_w": known(night1.sum(axis=1), has1 & any_night),
        "l2_night_w": known(night2.sum(axis=1), has2 & any_night),
        "l1_day_w": known(light1.sum(axis=1), has1 & any_light),
        "l2_day_w": known(light2.sum(axis=1), has2 & any_light),
        "pv_day_w": known(light_pv.sum(axis=1), has_pv & any_light),
        "pv_dark_w": known((np.abs(pv) * r.is_dark).sum(axis=1), has_pv & any_dark),
        "l1_l1_night": known(np.vecdot(night1, l1), has1 & any_night),
        "l2_l2_night": known(np.vecdot(night2, l2), has2 & any_night),
        "l1_l2_night": known(np.vecdot(night1, l2), has1 & has2 & any_night),
        "l1_l1_day": known(np.vecdot(light1, l1), has1 & any_light),
        "l2_l2_day": known(np.vecdot(light2, l2), has2 & any_light),
        "l1_l2_day": known(np.vecdot(light1, l2), has1 & has2 & any_light),
        "pv_pv_day": known(np.vecdot(light_pv, pv), has_pv & any_light),
        "l1_pv_day": known(np.vecdot(light1, pv), has1 & has_pv & any_light),
        "l2_pv_day": known(np.vecdot(light2, pv), has2 & has_pv & any_light),
        "sky_n": rows, "sky_x": sky.sum(axis=1), "sky_xx": np.vecdot(sky, sky),
        "l1_sky": known(np.vecdot(l1, sky), has1), "l2_sky": known(np.vecdot(l2, sky), has2),
        "pv_sky": known(np.vecdot(pv, sky), has_pv),
        "l1_all_w": known(l1.sum(axis=1), has1), "l2_all_w": known(l2.sum(axis=1), has2),
        "pv_all_w": known(pv.sum(axis=1), has_pv),
        "l1_l1_all": known(np.vecdot(l1, l1), has1), "l2_l2_all": known(np.vecdot(l2, l2), has2),
        "pv_pv_all": known(np.vecdot(pv, pv), has_pv),
        "pv_cos_w": known(np.vecdot(pv, r.hour_cos), has_pv & placed),
        "pv_sin_w": known(np.vecdot(pv, r.hour_sin), has_pv & placed),
        "l1_abs_wh": known(np.abs(l1).sum(axis=1) * length / 60, has1),
        "l2_abs_wh": known(np.abs(l2).sum(axis=1) * length / 60, has2),
        "pv_wh": known(pv.sum(axis=1) * length / 60, has_pv),
        "pv_abs_w": known(np.abs(pv).sum(axis=1), has_pv), "pv_max_w": known(np.abs(pv).max(axis=1), has_pv),
    }  # fmt: skip
    any_volt = r.has_volt.any(axis=1)
    out["l1_v_sum"] = known((value["l1_v"] * r.has_volt).sum(axis=1), any_volt)
    out["l2_v_sum"] = known((value["l2_v"] * r.has_volt).sum(axis=1), any_volt)
    out["vdiff_vdiff"] = known(np.vecdot(r.vdiff_v, r.vdiff_v), any_volt)
    return out


def hours(r: Regime) -> tuple[NDArray[np.int64], NDArray[np.int64], dict[str, Float]]:
    """Return (home, hour of the day, means of l1_w, l2_w and pv_w [W]) for every hour with rows, NaN for null."""
    slot = np.arange(len(r.grid.minute))[:, None] * 24 + r.grid.minute // 60
    slot = slot[r.grid.is_row]
    size = len(r.grid.minute) * 24
    count = np.bincount(slot, minlength=size)
    there = np.flatnonzero(count)
    home = there // 24
    means = {}
    for name in ("l1_w", "l2_w", "pv_w"):
        total = np.bincount(slot, weights=r.grid.values[name][r.grid.is_row], minlength=size)
        means[name] = known(total[there] / count[there], r.grid.has[name][home])
    return home, there % 24, means


def _first(row: Bool) -> Bool:
    first = np.zeros_like(row)
    first[:, 0] = True
    return first


def _least(values: Float, where: Bool) -> Float:
    return known(np.where(where, values, np.inf).min(axis=1), where.any(axis=1))

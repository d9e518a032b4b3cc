"""The rows of many homes side by side: one line a home, its rows from the left, and what each row is told of itself."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
Int = NDArray[np.int64]
CHANNELS = (
    "l1_w", "l2_w", "pv_w", "battery_w", "l1_v", "l2_v", "l1_var", "l2_var", "import_wh", "export_wh",
)  # fmt: skip


@dataclass(frozen=True)
class Sky:
    """What the statistics need of the register, an entry a home of the block (see daystats.site_sky)."""

    sin_lat: Float
    cos_lat: Float
    lon_rad: Float
    is_load_side: Bool
    pv_quiet_w: Float
    ramp_w: Float


@dataclass(frozen=True)
class Grid:
    """Rows of n homes with one interval length: arrays (n, most rows), 0 past its rows and where it lacks a channel.

    `minute` counts from the UTC day's start, `is_row` marks the rows, `has` says by channel which homes have it,
    `values` holds CHANNELS as read.
    """

    minute: Int
    is_row: Bool
    length_min: float
    has: dict[str, Bool]
    values: dict[str, Float]


@dataclass(frozen=True)
class Regime:
    """The grid under the sun: table interval_step, with 0 for null and a mask where a null counts.

    Signs and units are those of sql/interval_step.sql; `step` holds first differences, 0 where a row has no row before.
    """

    grid: Grid
    sky: Sky
    sun_sin: Float
    hour_cos: Float
    hour_sin: Float
    is_placed: Bool
    is_dark: Bool
    is_pv_live: Bool
    is_battery_idle: Bool
    is_night: Bool
    is_step: Bool
    is_calm: Bool
    has_volt: Bool
    probe_w: Float
    vdiff_v: Float
    vmean_v: Float
    net_w: Float
    has_net: Bool
    step: dict[str, Float] = field(default_factory=dict)


def before(values: NDArray[Any], rows: int = 1) -> NDArray[Any]:
    """Return the values of so many rows before, 0 where a home has none."""
    shifted = np.zeros_like(values)
    shifted[:, rows:] = values[:, :-rows]
    return shifted


def regime(grid: Grid, sky: Sky, sun: dict[str, Float], day: dict[str, Any]) -> Regime:
    """Return what interval_step says of each row.

    `sun` holds the columns of sql/sun_time.sql by minute of the day for the grid's length, `day` the parameters of
    `daystats.day_params`.
    """
    at, value, has = grid.minute, grid.values, grid.has
    sun_sin = sky.sin_lat[:, None] * sun["sin_declination"][at]
    angle = sun["greenwich_hour_angle_rad"][at] + sky.lon_rad[:, None]
    hour_cos, hour_sin = np.cos(angle), np.sin(angle)
    sun_sin += sky.cos_lat[:, None] * sun["cos_declination"][at] * hour_cos
    is_placed = np.isfinite(sky.sin_lat) & np.isfinite(sky.lon_rad)
    has_pv = has["pv_w"][:, None]
    quiet = sky.pv_quiet_w[:, None]
    is_pv_live = has_pv & (value["pv_w"] > quiet)
    is_dark = np.where(is_placed[:, None], sun_sin < day["dark_sin"], has_pv & (value["pv_w"] <= quiet))
    is_dark &= grid.is_row
    is_idle = np.abs(value["battery_w"]) < day["battery_idle_w"]
    is_night = is_dark & ~is_pv_live & (is_idle | sky.is_load_side[:, None])
    gap = np.zeros_like(at)
    gap[:, 1:] = at[:, 1:] - at[:, :-1]
    is_step = grid.is_row & (gap > 0) & (gap <= day["longest_gap_min"])
    low, high = day["volt_low"], day["volt_high"]
    has_volt = grid.is_row & (has["l1_v"] & has["l2_v"])[:, None]
    for name in ("l1_v", "l2_v"):
        has_volt &= (value[name] >= low) & (value[name] <= high)
    vdiff = np.where(has_volt, value["l1_v"] - value["l2_v"], 0.0)
    vmean = np.where(has_volt, (value["l1_v"] + value["l2_v"]) / 2, 0.0)
    has_net = has["import_wh"] & has["export_wh"]
    net = np.where(has_net[:, None], (value["import_wh"] - value["export_wh"]) * 60.0 / grid.length_min, 0.0)
    probe = np.where(has_pv, value["pv_w"] + value["battery_w"], 0.0)
    levels = {
        "l1_w": value["l1_w"], "l2_w": value["l2_w"], "pv_w": value["pv_w"], "battery_w": value["battery_w"],
        "l1_var": value["l1_var"], "l2_var": value["l2_var"], "probe_w": probe, "vdiff_v": vdiff,
        "vmean_v": vmean, "net_w": net,
    }  # fmt: skip
    step = {name: _step(level, is_step) for name, level in levels.items()}
    is_calm = is_step & (is_night | (np.abs(step["probe_w"]) < day["calm_w"]))
    return Regime(
        grid, sky, np.where(is_placed[:, None], sun_sin, np.nan), hour_cos, hour_sin, is_placed, is_dark, is_pv_live,
        is_idle, is_night, is_step, is_calm, has_volt, probe, vdiff, vmean, net, has_net, step,
    )  # fmt: skip


def _step(level: Float, is_step: Bool) -> Float:
    step = np.zeros_like(level)
    np.subtract(level[:, 1:], level[:, :-1], out=step[:, 1:])
    step *= is_step
    return step


def known(value: Float, where: Bool | np.bool_) -> Float:
    """Return the value where there is one, else NaN: SQL's null."""
    return np.where(where, value, np.nan)


def tally(rows: Bool, *conditions: Bool | tuple[Bool, Bool]) -> Float:
    """Return how many of the rows meet all conditions, as DuckDB's count_if does: NaN where it knows of no row.

    A condition is what is true, or (what is true, what is null); arrays are (homes, rows) or, for null, (homes, 1).
    One that is false settles a row whatever the others are.
    """
    met = rows
    for condition in conditions:
        if isinstance(condition, tuple):
            met = met & condition[0]
            if condition[1].any():
                met &= ~condition[1]
        else:
            met = met & condition
    count: Float = np.count_nonzero(met, axis=1).astype(np.float64)
    nulls = [condition[1] for condition in conditions if isinstance(condition, tuple)]
    is_asked = np.zeros(len(rows), bool)
    for null in nulls:
        is_asked |= null.any(axis=1)
    asked = np.flatnonzero(is_asked)
    if asked.size:
        unsettled, is_null = rows[asked], np.zeros_like(rows[asked])
        for condition in conditions:
            if isinstance(condition, tuple):
                unsettled = unsettled & (condition[0][asked] | condition[1][asked])
                is_null |= condition[1][asked]
            else:
                unsettled = unsettled & condition[asked]
        unknown = unsettled & is_null
        count[asked] = np.where((unknown == rows[asked]).all(axis=1), np.nan, count[asked])
    return count


def quantiles(values: Float, where: Bool, shares: tuple[float, ...]) -> list[Float]:
    """Return continuous quantiles over the marked rows of each home, NaN where none is marked."""
    count = where.sum(axis=1)
    ranked = np.sort(np.where(where, values, np.inf), axis=1)
    line = np.arange(len(values))
    found = []
    for share in shares:
        place = np.maximum(count - 1, 0) * share
        low = np.floor(place)
        part = place - low
        lower = ranked[line, low.astype(np.int64)]
        upper = ranked[line, np.ceil(place).astype(np.int64)]
        with np.errstate(invalid="ignore"):
            between = np.where(part == 0, lower, lower * (1.0 - part) + upper * part)
            found.append(known(between, count > 0))
    return found

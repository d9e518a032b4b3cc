"""One home's rows of a day: the sun over each, its regime (dark, night, day), and whether it follows the one before."""

from __future__ import annotations

from collections import namedtuple
from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np

from pipeline.core.setting_sections import DaySettings
from pipeline.features.kernels.compiled import FALSE, NULL, TRUE, Bool, Float, Int, above, below, compiled


class Channels(NamedTuple):
    """The contract's measures, a row each, shape (rows,); NaN for null."""

    l1_w: Float
    l2_w: Float
    pv_w: Float
    battery_w: Float
    l1_v: Float
    l2_v: Float
    l1_var: Float
    l2_var: Float
    import_wh: Float
    export_wh: Float


class Sky(NamedTuple):
    """What the statistics need of the register, an entry a home (`site_sky`); NaN where it isn't known."""

    sin_lat: Float
    cos_lat: Float
    sin_lon: Float
    cos_lon: Float
    is_load_side: Bool
    pv_quiet_w: Float
    ramp_w: Float


class Sun(NamedTuple):
    """Table sun_time by minute of the day, a line an interval length; the hour angle by its cosine and sine."""

    sin_declination: Float
    cos_declination: Float
    cos_hour: Float
    sin_hour: Float


_THRESHOLDS = (*DaySettings.model_fields, "dark_sin", "sun_sin")
_Thresholds: Any = namedtuple("_Thresholds", _THRESHOLDS)  # type: ignore[misc]
Thresholds = Any  # one of these; the type checker doesn't know its fields either


# What the statistics read of each row, in the order of time; NaN is null. Flags are TRUE or FALSE, never null.
_NUMBERS = (
    "l1_w", "l2_w", "pv_w", "battery_w", "l1_v", "l2_v", "l1_var", "l2_var", "net_w", "probe_w", "vdiff_v", "vmean_v",
    "sun_sin", "hour_cos", "hour_sin",
)  # fmt: skip
_FLAGS = ("is_dark", "is_pv_live", "is_idle", "is_night", "is_step", "is_calm")
ROW = np.dtype(
    [("minute", np.int64), *((name, np.float64) for name in _NUMBERS), *((name, np.int64) for name in _FLAGS)]
)
Rows = Any  # an array of ROW: numba knows its fields, the type checker doesn't


def thresholds_of(params: Mapping[str, Any]) -> Thresholds:
    """Return the numbers of `day_statistics.day_params` by name, as compiled code takes them."""
    return _Thresholds(**{name: float(params[name]) for name in _THRESHOLDS})


@compiled
def fill_rows(
    r: Rows,
    channels: Channels,
    minute: Int,
    first: int,
    count: int,
    length_min: float,
    sky: Sky,
    home: int,
    sun: Sun,
    sun_line: int,
    volt_unit: float,
    thresholds: Thresholds,
) -> None:
    """Fill `r` with the `count` rows of a home, which begin at `first` in `channels`.

    Parameters
    ----------
    r
        Array of ROW, written to.
    channels
        The measures, many homes one after the other.
    minute
        Minute of the UTC day of each row.
    first
        The home's first row.
    count
        How many it has.
    length_min
        Its interval length [min].
    sky
        What the register says, a home each.
    home
        Place of the home in `sky`.
    sun
        Where the sun is, an interval length a line.
    sun_line
        Line of the home's length.
    volt_unit
        What the home's volts are multiplied by for the limits of the settings.
    thresholds
        The settings' numbers.
    """
    sin_lat, cos_lat = sky.sin_lat[home], sky.cos_lat[home]
    sin_lon, cos_lon = sky.sin_lon[home], sky.cos_lon[home]
    quiet_w, is_load_side = sky.pv_quiet_w[home], sky.is_load_side[home]
    volt_low, volt_high = thresholds.volt_low / volt_unit, thresholds.volt_high / volt_unit
    for i in range(count):
        source = first + i
        now = minute[source]
        r[i].minute = now
        r[i].l1_w, r[i].l2_w = channels.l1_w[source], channels.l2_w[source]
        r[i].pv_w, r[i].battery_w = channels.pv_w[source], channels.battery_w[source]
        v1, v2 = channels.l1_v[source], channels.l2_v[source]
        r[i].l1_v, r[i].l2_v = v1, v2
        r[i].l1_var, r[i].l2_var = channels.l1_var[source], channels.l2_var[source]
        r[i].net_w = (channels.import_wh[source] - channels.export_wh[source]) * 60.0 / length_min
        if volt_low <= v1 <= volt_high and volt_low <= v2 <= volt_high:
            r[i].vdiff_v, r[i].vmean_v = v1 - v2, (v1 + v2) / 2.0
        else:
            r[i].vdiff_v = r[i].vmean_v = np.nan
        hour_cos = sun.cos_hour[sun_line, now] * cos_lon - sun.sin_hour[sun_line, now] * sin_lon
        r[i].hour_cos = hour_cos
        r[i].hour_sin = sun.sin_hour[sun_line, now] * cos_lon + sun.cos_hour[sun_line, now] * sin_lon
        sun_sin = (
            sin_lat * sun.sin_declination[sun_line, now]
            + cos_lat * sun.cos_declination[sun_line, now] * hour_cos
        )
        r[i].sun_sin = sun_sin
        pv = r[i].pv_w
        battery = r[i].battery_w if r[i].battery_w == r[i].battery_w else 0.0
        r[i].probe_w = pv + battery
        is_live = TRUE if pv > quiet_w else FALSE
        is_dark = below(sun_sin, thresholds.dark_sin)
        if is_dark == NULL:
            is_dark = TRUE - above(pv, quiet_w)
        if is_dark == NULL:
            is_dark = FALSE
        is_idle = TRUE if abs(battery) < thresholds.battery_idle_w else FALSE
        is_night = min(is_dark, TRUE - is_live, TRUE if is_load_side else is_idle)
        is_step = FALSE
        if i > 0 and now - r[i - 1].minute <= thresholds.longest_gap_min:
            is_step = TRUE
        driven = abs(r[i].probe_w - r[i - 1].probe_w) if i > 0 else np.nan
        is_still = FALSE if driven >= thresholds.calm_w else TRUE
        r[i].is_dark, r[i].is_pv_live, r[i].is_idle = is_dark, is_live, is_idle
        r[i].is_night, r[i].is_step, r[i].is_calm = is_night, is_step, min(is_step, max(is_night, is_still))

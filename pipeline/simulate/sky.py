"""Sun, clouds, temperature and what a tilted array makes of them.

Sun from the low-precision formulas of the Astronomical Almanac's kind (mean longitude and anomaly,
0.01 degrees or so); clear sky after Haurwitz (global) and Meinel (direct).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache

import numpy as np
from scipy.signal import lfilter

from pipeline.faults.circuit import Float
from pipeline.simulate.spec import Window, seeded_rng

_EPOCH = datetime(2000, 1, 1, 12)


@dataclass(frozen=True)
class Array:
    """A solar array: direct-current power at 1000 W/m2 [W], inverter limit [W], tilt and azimuth [deg].

    Azimuth counts clockwise from north. `shaded_from`, `shaded_to` [deg of sun azimuth] lose the beam.
    """

    dc_w: float
    ac_w: float
    tilt_deg: float
    azimuth_deg: float
    shaded_from: float = 0.0
    shaded_to: float = 0.0


def wander(rng: np.random.Generator, size: int, memory: float) -> Float:
    """Return a stationary first-order autoregressive series of unit variance; `memory` in steps."""
    keep = float(np.exp(-1.0 / memory))
    drive = rng.standard_normal(size) * np.sqrt(1.0 - keep**2)
    drive[0] /= np.sqrt(1.0 - keep**2)
    series: Float = lfilter([1.0], [1.0, -keep], drive)
    return series


def smooth_noise(rng: np.random.Generator, size: int, memory: float, *, spread: float = 1.0) -> Float:
    """Return a first-order autoregressive series as `wander`'s whose first value has a draw of its own.

    Parameters
    ----------
    rng, size
        Draws so many steps.
    memory
        In steps.
    spread
        Standard deviation.
    """
    keep = float(np.exp(-1.0 / memory))
    shocks = rng.normal(0.0, spread * np.sqrt(1 - keep**2), size)
    shocks[0] = rng.normal(0.0, spread)
    series: Float = lfilter([1.0], [1.0, -keep], shocks)
    return series


def sun(window: Window, latitude: float, longitude: float) -> tuple[Float, Float]:
    """Return sine of the sun's elevation and its azimuth [deg] at the middle of each step."""
    first = (datetime.combine(window.start, datetime.min.time()) - _EPOCH).total_seconds() / 86400.0
    day = first + (np.arange(window.size) + 0.5) * (window.step / 1440.0)
    mean_longitude = 280.460 + 0.9856474 * day
    anomaly = np.deg2rad(357.528 + 0.9856003 * day)
    ecliptic = np.deg2rad(mean_longitude + 1.915 * np.sin(anomaly) + 0.020 * np.sin(2 * anomaly))
    tilt = np.deg2rad(23.439 - 4e-7 * day)
    declination = np.arcsin(np.sin(tilt) * np.sin(ecliptic))
    ascension = np.arctan2(np.cos(tilt) * np.sin(ecliptic), np.cos(ecliptic))
    sidereal = np.deg2rad(280.46062 + 360.98564737 * day + longitude)
    hour = sidereal - ascension
    here = np.deg2rad(latitude)
    sine = np.sin(here) * np.sin(declination) + np.cos(here) * np.cos(declination) * np.cos(hour)
    east = -np.cos(declination) * np.sin(hour)
    north = np.cos(here) * np.sin(declination) - np.sin(here) * np.cos(declination) * np.cos(hour)
    return sine, np.rad2deg(np.arctan2(east, north)) % 360.0


@lru_cache(maxsize=64)
def area_sky(seed: int, area: int, window: Window) -> tuple[Float, Float]:
    """Return the area's clearness of the direct beam [0, 1] and a unit-variance weather series.

    Each day is clear, broken or overcast, with a tendency to stay what it was; clouds pass within it.
    """
    rng = seeded_rng(seed, 1_000_000 + area, window.start.toordinal())
    size, step = window.size, window.step
    mood = np.repeat(wander(rng, window.days, 1.5), 1440 // step) + 0.5 * wander(rng, size, 360.0 / step)
    mood += rng.normal(0.2, 0.4)  # an area's climate
    speed_min = float(np.exp(rng.uniform(np.log(8.0), np.log(50.0))))
    cloud = 1.0 / (1.0 + np.exp(-5.0 * (wander(rng, size, speed_min / step) - 1.5 * mood)))
    depth = rng.uniform(0.6, 0.95)
    clearness = np.clip(1.0 - depth * cloud, 0.03, 1.0)
    return clearness, wander(rng, size, 2880.0 / step)


def temperature_c(window: Window, latitude: float, longitude: float, *, weather: Float) -> Float:
    """Return outdoor air temperature [deg C], shape (n,): latitude, season, time of day, weather.

    Parameters
    ----------
    window
        The n time steps.
    latitude, longitude
        Of the home [deg].
    weather
        The area's weather, of unit variance, shape (n,).
    """
    solar_hour = np.arange(window.size, dtype=np.float64) * (window.step / 60.0) + longitude / 15.0
    day = window.start.timetuple().tm_yday + np.arange(window.size) * (window.step / 1440.0)
    season = np.cos(2 * np.pi * (day - 200.0) / 365.25) * np.sign(latitude or 1.0)
    mean = 29.0 - 0.42 * abs(latitude) + (2.0 + 0.22 * abs(latitude)) * season
    out: Float = mean + 5.0 * np.cos(2 * np.pi * (solar_hour - 15.5) / 24.0) + 3.5 * weather
    return out


def array_w(array: Array, sine: Float, azimuth: Float, *, clearness: Float, outdoor_c: Float) -> Float:
    """Return the array's alternating-current power [W], never negative, cut at the inverter's limit.

    Parameters
    ----------
    array
        The array.
    sine, azimuth
        Sine of the sun's elevation, its azimuth [deg], shape (n,).
    clearness
        Of the direct beam [0, 1], shape (n,).
    outdoor_c
        Outdoor air [deg C], shape (n,).
    """
    up = np.maximum(sine, 0.0)
    lit = up > 0.01
    safe = np.where(lit, up, 1.0)
    direct = 1353.0 * 0.7 ** (np.minimum(1.0 / safe, 38.0) ** 0.678)
    level = 1098.0 * up * np.exp(-0.057 / safe)
    diffuse = np.maximum(level - direct * up, 0.08 * level)
    tilt, turn = np.deg2rad(array.tilt_deg), np.deg2rad(azimuth - array.azimuth_deg)
    flat = np.sqrt(np.maximum(1.0 - up**2, 0.0))
    facing = np.maximum(up * np.cos(tilt) + flat * np.sin(tilt) * np.cos(turn), 0.0)
    beam = clearness
    if array.shaded_to > array.shaded_from:
        beam = np.where((azimuth > array.shaded_from) & (azimuth < array.shaded_to), 0.05, clearness)
    # Under cloud part of the lost beam comes back as diffuse light.
    scattered = diffuse * (0.6 + 0.4 * clearness) + 0.22 * (1.0 - clearness) * direct * up
    plane = (
        direct * facing * beam + scattered * (1.0 + np.cos(tilt)) / 2.0 + 0.1 * level * (1.0 - np.cos(tilt))
    )
    cell_c = outdoor_c + 0.028 * plane
    power = array.dc_w * plane / 1000.0 * 0.88 * (1.0 - 0.004 * (cell_c - 25.0))
    power = np.where(lit & (power > 0.004 * array.ac_w), power, 0.0)
    return np.minimum(power, array.ac_w)


def plain_array_w(array: Array, sine: Float, days: int, *, rng: np.random.Generator) -> Float:
    """Return production [W]: the sun's height times a daily factor and white noise, cut at the inverter.

    Parameters
    ----------
    array
        The array; how it lies counts for nothing.
    sine
        Of the sun's elevation, shape (n,).
    days
        In the window.
    rng
        The home's series.
    """
    daily = np.repeat(rng.uniform(0.25, 1.0, days), sine.size // days)
    flicker = np.clip(1.0 + rng.normal(0.0, rng.uniform(0.03, 0.3), sine.size), 0.05, 1.3)
    power = array.dc_w * np.maximum(sine, 0.0) ** 1.1 * daily * flicker
    return np.minimum(power, array.ac_w)

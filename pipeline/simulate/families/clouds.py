"""Clouds and air of an area as the wind carries them: a frozen field of cloud cells that moves over its homes.

Own model, unlike weather.py's spells and telegraph: puffs, banks and decks of cloud lie along the wind's path
as shot noise whose density follows slow systems; what stands over a home is the field at the distance the
wind has come by then, upwind or downwind of its neighbours. So a gust shortens every shadow, and the same
cloud passes one home after the other. Air is warmed by the sun that got through, hours late, and has
seasons by latitude: clouds, sun and warmth go together as they do outside.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import lru_cache

import numpy as np
from scipy.signal import fftconvolve, lfilter

from pipeline.faults.circuit import Float
from pipeline.simulate.families.spec import Area, UnlikeSpec
from pipeline.simulate.sky import smooth_noise
from pipeline.simulate.spec import seeded_rng

GRID_KM = 0.25
MARGIN_KM = 60.0  # the field reaches this far beyond what passes the area's middle
# radius [km], cells a km of path at mean cloudiness, mean optical depth of a cell
CELLS = ((0.8, 0.10, 1.0), (4.0, 0.015, 1.2), (30.0, 0.002, 1.6))
SYSTEM_KM = 350.0  # size of the slow systems
WIND_KMH = (12.0, 45.0)
SPREAD_KM = 9.0  # homes of an area lie so far apart along the wind
WARMEST_DAY = 200
CLEAR_W_M2 = 1000.0
LAG_MIN = 170.0  # how late the air follows the sun
SUN_WARMS_C = 16.0  # air for a full sun that stayed


@dataclass(frozen=True)
class Sky:
    """An area's sky: `index` of clear sky along the wind's path, where on it the area's middle is each minute.

    `path_km`, `air_c` [degrees C] and `clear` (share of an overhead sun on level ground) have shape (n,).
    """

    index: Float
    path_km: Float
    air_c: Float
    clear: Float


@dataclass(frozen=True)
class Outside:
    """What it is like outside a home, a minute: clear-sky index [-], air [degrees C], sun on the ground [W/m2]."""

    index: Float
    air_c: Float
    sun_w: Float


def sun_share(end: date, steps: int, *, latitude: float, longitude: float) -> Float:
    """Return the sine of the sun's height a minute, 0 at night, shape (steps,).

    Parameters
    ----------
    end, steps
        The minutes of whole UTC days up to the end of this day.
    latitude, longitude
        Of the place [deg].
    """
    minute = np.arange(steps)
    day = end.timetuple().tm_yday - (steps - 1 - minute) // 1440
    declination = np.deg2rad(-23.44) * np.cos(2 * np.pi * (day + 10) / 365)
    angle = np.deg2rad((minute % 1440) / 4 + longitude - 180)
    north = np.deg2rad(latitude)
    height = np.sin(north) * np.sin(declination) + np.cos(north) * np.cos(declination) * np.cos(angle)
    share: Float = np.clip(height, 0.0, None)
    return share


@lru_cache(maxsize=16)
def sky_over(spec: UnlikeSpec, number: int, area: Area) -> Sky:
    """Return the sky of the area of this number over the fleet's window."""
    rng, steps = seeded_rng(spec.seed, 23, number), spec.steps
    wind = rng.uniform(*WIND_KMH) * np.exp(0.35 * smooth_noise(rng, steps, 600.0))
    path_km = np.cumsum(wind / 60) + MARGIN_KM
    index, cover = _field(rng, int((path_km[-1] + MARGIN_KM) / GRID_KM) + 2)
    clear = sun_share(spec.end, steps, latitude=area.latitude, longitude=area.longitude)
    grid_km = np.arange(index.size) * GRID_KM
    light = clear * np.interp(path_km, grid_km, index)
    keep = np.exp(-1.0 / LAG_MIN)
    warmed: Float = lfilter([1 - keep], [1.0, -keep], light, zi=np.array([keep * light.mean()]))[0]
    system = np.interp(path_km, grid_km, cover)
    air_c = (
        _season_c(area, spec.end, steps)
        + SUN_WARMS_C * (warmed - warmed.mean())
        - 3.0 * (system - system.mean())
        + 3.0 * smooth_noise(rng, steps, 3600.0)
    )
    return Sky(index, path_km, air_c, clear)


def over_home(sky: Sky, rng: np.random.Generator) -> Outside:
    """Return what passes over one home: the area's field some way up or down the wind, and its own edges."""
    offset = float(np.clip(rng.normal(0.0, SPREAD_KM), -0.9 * MARGIN_KM, 0.9 * MARGIN_KM))
    field = np.interp(sky.path_km + offset, np.arange(sky.index.size) * GRID_KM, sky.index)
    edges = 0.12 * (1.0 - np.minimum(field, 1.0)) * smooth_noise(rng, field.size, 8.0)
    index = np.clip(field + edges, 0.03, 1.3)
    return Outside(index, sky.air_c, CLEAR_W_M2 * sky.clear * index)


def _season_c(area: Area, end: date, steps: int) -> Float:
    """Return the air's mean of the season: the area's own is early summer's, winters are colder up north."""
    day = end.timetuple().tm_yday - (steps - 1 - np.arange(steps)) / 1440
    swing = np.clip(0.5 * (area.latitude - 12.0), 2.0, 16.0)
    shape = np.cos(2 * np.pi * (day - WARMEST_DAY) / 365) - np.cos(2 * np.pi * (160 - WARMEST_DAY) / 365)
    season: Float = area.mean_c + swing * shape
    return season


def _field(rng: np.random.Generator, size: int) -> tuple[Float, Float]:
    """Return clear-sky index and cloud cover around it (0 to 1) along the path."""
    # a coarse walk, since systems are hundreds of kilometres across
    coarse = np.linspace(0, size, max(2, int(size * GRID_KM / 20.0) + 2))
    systems = np.interp(np.arange(size), coarse, smooth_noise(rng, coarse.size, SYSTEM_KM / 20.0))
    mood = rng.normal(-0.4, 0.5)
    often = np.exp(1.3 * systems + mood)
    depth = np.zeros(size)
    for radius, a_km, mean_depth in CELLS:
        reach = max(1, int(radius / GRID_KM))
        across = np.arange(-reach, reach + 1) / (reach + 0.5)
        hits = rng.poisson(a_km * GRID_KM * often * rng.uniform(0.6, 1.6))
        shots = hits * rng.exponential(mean_depth, size)
        depth += np.clip(fftconvolve(shots, (1 - across**2) ** 0.5, mode="same"), 0.0, None)
    beam = np.exp(-depth)
    near = np.full(41, 1 / 41)
    cover = fftconvolve(1 - beam, near, mode="same")
    thick = fftconvolve(depth, near, mode="same")
    haze = 1.0 - 0.04 * np.abs(systems)
    # bright clouds beside a gap add to a full sun, thick decks leave little of either
    index = haze * (0.8 * beam + 0.2 + 0.22 * cover * np.exp(-0.5 * thick) - 0.12 * cover * (1 - beam))
    return np.clip(index, 0.04, 1.25), np.clip(cover, 0.0, 1.0)

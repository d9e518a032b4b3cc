"""Solar power of a home bootstrapped from a measured array, by whole days.

The array is the one of `measurements.solar`: fifteen-minute means of one summer. Every solar day of a
home gets a measured day of a like season, laid around the home's own solar noon and stretched so that its
light lasts from the home's sunrise to its sunset. What the clouds do within a quarter of an hour wasn't
measured: it is a flicker as large as the neighbouring quarters disagree.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from pipeline.faults.circuit import Float
from pipeline.simulate.families.measurements import solar
from pipeline.simulate.families.spec import Roof

Index = NDArray[np.int64]

LATITUDE, LONGITUDE = 39.742, -105.17  # of the measured array
FIRST_SLOT_MIN = 7 * 60  # its days are cut here [min UTC], the middle of its nights
SLOT_MIN, SLOTS_A_DAY = 15, 96
RISEN_DEG = -0.833  # the sun's centre at sunrise: refraction and its own radius
HALF = 60  # points of the grid from sunrise to noon
LIKE_DAYS = 30  # measured days nearest in the sun's height, from which a day is drawn
SIZE = (0.7, 1.2)  # best measured power over the inverter's rating: above 1 it clips
CURVE_W = 60.0  # quarters disagree by this under a clear sky too
FLICKER, FLICKER_MEMORY_MIN = 0.35, 4.0
OTHER_HOURS, OTHER_SIZE = (-2.5, 2.5), (0.3, 1.0)
THIN = 0.03  # of the best power: below it a ratio to the clear sky says nothing
STANDBY_SHARE, STANDBY_SIZE = 0.5, (0.4, 2.0)  # homes whose inverter takes power at night; over the measured


@dataclass(frozen=True)
class ArrayDays:
    """The measured days over the share of the half day since noon (-1 sunrise, 1 sunset), shape (days, points).

    `pv_w` production, `rough_w` by how much quarters of an hour disagree with their neighbours, `height_deg`
    the sun's declination (days,), `night_w` all that the array took in the dark (n,).
    """

    pv_w: Float
    rough_w: Float
    height_deg: Float
    night_w: Float


def declination_deg(day_of_year: Float) -> Float:
    """Return how far north of the equator the sun stands, by the usual sine."""
    return 23.45 * np.sin(2 * np.pi * (284 + day_of_year) / 365)


def noon_min(day_of_year: Float, longitude: float) -> Float:
    """Return when the sun culminates [min since 00:00 UTC], by the usual equation of time."""
    turn = 2 * np.pi * (day_of_year - 81) / 364
    minutes: Float = (
        720 - 4 * longitude - (9.87 * np.sin(2 * turn) - 7.53 * np.cos(turn) - 1.5 * np.sin(turn))
    )
    return minutes


def half_day_min(day_of_year: Float, latitude: float) -> Float:
    """Return the time from sunrise to noon [min]; 0 in the polar night, 720 in the polar day."""
    height, place = np.deg2rad(declination_deg(day_of_year)), np.deg2rad(latitude)
    cosine = (np.sin(np.deg2rad(RISEN_DEG)) - np.sin(place) * np.sin(height)) / (
        np.cos(place) * np.cos(height)
    )
    minutes: Float = 4 * np.rad2deg(np.arccos(np.clip(cosine, -1, 1)))
    return minutes


@lru_cache(maxsize=1)
def array_days() -> ArrayDays:
    """Return the measured array's whole days, once a process."""
    rows = solar()
    start, values = rows["interval_start"], rows["pv_w"].to_numpy().astype(np.float64)
    first = int(np.argmax((start.dt.hour().cast(int) * 60 + start.dt.minute() == FIRST_SLOT_MIN).to_numpy()))
    days = (values.size - first) // SLOTS_A_DAY
    slots = values[first : first + days * SLOTS_A_DAY].reshape(days, SLOTS_A_DAY)
    doy = start[first].timetuple().tm_yday + np.arange(days, dtype=np.float64)
    middle = FIRST_SLOT_MIN + SLOT_MIN * (np.arange(SLOTS_A_DAY) + 0.5)
    share = (middle - noon_min(doy, LONGITUDE)[:, None]) / half_day_min(doy, LATITUDE)[:, None]
    pv_w = np.clip(slots, 0.0, None)
    rough_w = np.zeros_like(pv_w)
    rough_w[:, 1:-1] = np.abs(pv_w[:, 1:-1] - (pv_w[:, :-2] + pv_w[:, 2:]) / 2)
    grid = np.linspace(-1, 1, 2 * HALF + 1)
    pv_w, rough_w = (
        np.array([np.interp(grid, shares, row) for shares, row in zip(share, rows, strict=True)])
        for rows in (pv_w, rough_w)
    )
    return ArrayDays(pv_w, rough_w, declination_deg(doy), values[values < 0])


def production(
    roof: Roof, start: datetime, steps: int, *, rng: np.random.Generator, with_other: bool = False
) -> tuple[Float, Float]:
    """Return AC power [W] a minute of the home's array and, if asked for, of a second one under the same sky.

    Parameters
    ----------
    roof
        The array: only its place and AC rating count, how it lies is the measured array's.
    start
        First minute, UTC without a zone.
    steps
        Minutes.
    rng
        Draws days, sizes and flicker.
    with_other
        Whether there is a second array: it has its best hours earlier or later. Else its power is 0.
    """
    table = array_days()
    minute = np.arange(steps) + 0.5
    mean_noon = 720 - 4 * roof.longitude
    solar_day = np.floor((minute - mean_noon) / 1440 + 0.5).astype(np.int64)
    numbers = np.arange(solar_day[0], solar_day[-1] + 1)
    doy = np.array([(start + timedelta(days=int(day))).timetuple().tm_yday for day in numbers], dtype=float)
    alike = np.argsort(np.abs(table.height_deg - declination_deg(doy)[:, None]), axis=1, kind="stable")
    chosen = alike[np.arange(numbers.size), rng.integers(0, LIKE_DAYS, numbers.size)]
    of_day = solar_day - numbers[0]
    half = half_day_min(doy, roof.latitude)[of_day]
    since_noon = minute - 1440 * solar_day - noon_min(doy, roof.longitude)[of_day]
    share = since_noon / half
    is_up = np.abs(share) < 1
    size = float(rng.uniform(*SIZE)) * roof.ac_kw * 1000.0 / table.pv_w.max()
    seen = _between(table.pv_w[chosen], of_day, share)
    rough = np.clip(_between(table.rough_w[chosen], of_day, share) - CURVE_W, 0.0, None)
    keep = float(np.exp(-1.0 / FLICKER_MEMORY_MIN))
    flicker = lfilter([np.sqrt(1 - keep**2)], [1.0, -keep], rng.normal(size=steps))
    seen = np.where(is_up, np.clip(seen + FLICKER * rough * flicker, 0.0, None), 0.0)
    pv_w = np.minimum(size * seen, roof.ac_kw * 1000.0)
    if not with_other:
        return pv_w, np.zeros(steps)
    # the best that any such day had at that hour is a clear sky's; the clouds are the home's own
    best = table.pv_w[alike[:, :LIKE_DAYS]].max(axis=1)
    through = np.clip(seen / np.maximum(_between(best, of_day, share), THIN * table.pv_w.max()), 0.0, 1.2)
    moved = share + 60.0 * float(rng.uniform(*OTHER_HOURS)) / half
    other = float(rng.uniform(*OTHER_SIZE)) * size * _between(best, of_day, moved) * through
    return pv_w, np.where(is_up & (np.abs(moved) < 1), np.minimum(other, roof.ac_kw * 1000.0), 0.0)


def with_standby(pv_w: Float, rng: np.random.Generator) -> Float:
    """Return the production with what an inverter takes in the dark, as measured; many take nothing."""
    has_standby, size = rng.random() < STANDBY_SHARE, float(rng.uniform(*STANDBY_SIZE))
    night = rng.choice(array_days().night_w, -(-pv_w.size // SLOT_MIN)) * size * has_standby
    return np.where(pv_w > 0, pv_w, np.repeat(night, SLOT_MIN)[: pv_w.size])


def _between(rows: Float, of_day: Index, share: Float) -> Float:
    """Return the rows' values at these shares of the half day, between the points of the grid."""
    point = (np.clip(share, -1.0, 1.0) + 1.0) * HALF
    left = np.minimum(point.astype(np.int64), 2 * HALF - 1)
    right_share = point - left
    values: Float = rows[of_day, left] * (1 - right_share) + rows[of_day, left + 1] * right_share
    return values

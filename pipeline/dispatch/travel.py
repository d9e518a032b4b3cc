"""How long it takes from place to place: supplied minutes where there are any, else the great circle."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from pipeline.core.setting_sections import DispatchSettings
from pipeline.worklist.drive_minutes import EARTH_RADIUS_KM

# Stands for "nobody can drive there", longer than any shift [min].
UNREACHABLE = 100_000

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


def great_circle_km(from_deg: tuple[Floats, Floats], to_deg: tuple[Floats, Floats]) -> Floats:
    """Return the great-circle distance [km] between (latitude, longitude) pairs [deg], broadcast.

    The haversine formula (Sinnott, Sky and Telescope 68:159, 1984) on a sphere of EARTH_RADIUS_KM; NaN stays NaN.
    """
    lat_a, lon_a, lat_b, lon_b = (np.radians(part) for part in (*from_deg, *to_deg))
    half = np.sin((lat_b - lat_a) / 2) ** 2 + np.cos(lat_a) * np.cos(lat_b) * np.sin((lon_b - lon_a) / 2) ** 2
    distance: Floats = 2 * EARTH_RADIUS_KM * np.arcsin(np.sqrt(np.clip(half, 0.0, 1.0)))
    return distance


@dataclass(frozen=True)
class Travel:
    """Drive times between places that are known by their index: the stops in order, then the trucks' starts.

    Parameters
    ----------
    latitude, longitude
        One a place [deg]; NaN where it is unknown.
    road
        [dispatch]: `road_factor` and `speed_km_h` make minutes of a great circle.
    supplied
        (from, to) -> minutes on the road, already known; a pair that is given one way only serves both ways.
    """

    latitude: Floats
    longitude: Floats
    road: DispatchSettings
    supplied: Mapping[tuple[int, int], float] = field(default_factory=dict)
    _keys: Ints = field(init=False, repr=False)
    _minutes: Ints = field(init=False, repr=False)

    def __post_init__(self) -> None:
        """Sort the supplied pairs, so that a block of them is looked up at once."""
        known = {(to, start): minutes for (start, to), minutes in self.supplied.items()} | dict(self.supplied)
        keys = np.array([start * len(self) + to for start, to in known], dtype=np.int64)
        order = np.argsort(keys)
        object.__setattr__(self, "_keys", keys[order])
        object.__setattr__(self, "_minutes", _round_up(np.array([*known.values()], dtype=float))[order])

    def __len__(self) -> int:
        """Return the number of places."""
        return len(self.latitude)

    def minutes(self, start: Ints, to: Ints) -> Ints:
        """Return the whole minutes from each place of `start` to each of `to` (broadcast), rounded up.

        UNREACHABLE where nothing is supplied and a coordinate is missing.
        """
        minutes = _round_up(self.km(start, to) / self.road.speed_km_h * 60)
        index, is_supplied = self._find(start, to)
        if is_supplied.any():
            minutes[is_supplied] = self._minutes[index[is_supplied]]
        return np.where(np.equal(start, to), 0, minutes)

    def km(self, start: Ints, to: Ints) -> Floats:
        """Return the estimated road length [km], great circle times road_factor; NaN without coordinates."""
        here, there = ((self.latitude[place], self.longitude[place]) for place in (start, to))
        return great_circle_km(here, there) * self.road.road_factor

    def is_supplied(self, start: Ints, to: Ints) -> NDArray[np.bool_]:
        """Return whether the minutes of these pairs were supplied, either way round."""
        return self._find(start, to)[1]

    def _find(self, start: Ints, to: Ints) -> tuple[Ints, NDArray[np.bool_]]:
        keys = np.asarray(start) * len(self) + np.asarray(to)
        if not self._keys.size:
            return keys, np.zeros(keys.shape, dtype=bool)
        index = np.searchsorted(self._keys, keys).clip(max=self._keys.size - 1)
        return index, self._keys[index] == keys


def _round_up(minutes: Floats) -> Ints:
    """Return whole minutes, UNREACHABLE for NaN and at most; float noise makes no minute more."""
    whole: Ints = (
        np.ceil(np.nan_to_num(minutes, nan=UNREACHABLE) - 1e-9).clip(max=UNREACHABLE).astype(np.int64)
    )
    return whole

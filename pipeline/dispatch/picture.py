"""A small map of one round: the stops by number, joined in order, with a scale; no tiles, no network."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from pipeline.worklist.drive_minutes import EARTH_RADIUS_KM

WIDTH, LEAST_HEIGHT, MOST_HEIGHT, MARGIN = 640.0, 220.0, 460.0, 34.0
_KM_A_DEG = math.radians(1) * EARTH_RADIUS_KM
_APART = 25.0  # a number keeps this far from the others [px]
_RINGS = (0.0, 30.0, 52.0, 74.0)

Point = tuple[float, float]


class Mark(NamedTuple):
    """A stop on the map: where it is and where its number stands [px]."""

    number: int
    at: Point
    label: Point

    @property
    def is_moved(self) -> bool:
        """Whether the number stands beside the place."""
        return self.at != self.label


class RouteMap(NamedTuple):
    """What the template draws, in px: the way out as a line, the way back, the marks, and the scale."""

    width: float
    height: float
    start: Point
    way: tuple[Point, ...]
    marks: tuple[Mark, ...]
    scale_km: float
    scale_px: float


def route_map(start: Point, stops: Sequence[tuple[int, Point]]) -> RouteMap | None:
    """Return the map of a round, or None if start or every stop is without coordinates.

    Parameters
    ----------
    start
        (latitude, longitude) [deg] where the truck starts and ends; NaN where unknown.
    stops
        (number, (latitude, longitude)) in order; those with NaN are left out.

    Notes
    -----
    Equirectangular about the middle latitude, north up: right to a few per cent over a day's drive.
    """
    known = [(number, place) for number, place in stops if not any(map(math.isnan, place))]
    if not known or any(map(math.isnan, start)):
        return None
    places = np.array([start, *(place for _, place in known)])
    middle = places.mean(axis=0)
    east = (places[:, 1] - middle[1]) * _KM_A_DEG * math.cos(math.radians(middle[0]))
    south = (middle[0] - places[:, 0]) * _KM_A_DEG
    wide, tall = max(float(np.ptp(east)), 1e-3), max(float(np.ptp(south)), 1e-3)
    scale = min((WIDTH - 2 * MARGIN) / wide, (MOST_HEIGHT - 2 * MARGIN) / tall)  # px a km
    height = max(LEAST_HEIGHT, tall * scale + 2 * MARGIN)
    left = (WIDTH - wide * scale) / 2 - float(east.min()) * scale
    top = (height - tall * scale) / 2 - float(south.min()) * scale
    points = [
        (round(left + x * scale, 1), round(top + y * scale, 1)) for x, y in zip(east, south, strict=True)
    ]
    taken = [points[0]]
    marks = []
    for (number, _), at in zip(known, points[1:], strict=True):
        label = _free_place(at, taken, height)
        taken.append(label)
        marks.append(Mark(number, at, label))
    scale_km = _round_length(WIDTH / 4 / scale)
    way = tuple(points)
    return RouteMap(
        WIDTH, round(height, 1), points[0], way, tuple(marks), scale_km, round(scale_km * scale, 1)
    )


def _free_place(at: Point, taken: Sequence[Point], height: float) -> Point:
    """Return the nearest place around `at` where a number touches no other and stays on the map."""
    for ring in _RINGS:
        for step in range(12 if ring else 1):
            angle = math.radians(30 * step - 90)
            place = round(at[0] + ring * math.cos(angle), 1), round(at[1] + ring * math.sin(angle), 1)
            is_inside = 14 <= place[0] <= WIDTH - 14 and 14 <= place[1] <= height - 14
            if is_inside and all(math.dist(place, other) >= _APART for other in taken):
                return place
    return at


def _round_length(km: float) -> float:
    """Return the longest of 1, 2, 5, 10, ... (or a tenth, ...) not above `km`."""
    power = 10.0 ** math.floor(math.log10(km))
    return max(step * power for step in (1, 2, 5) if step * power <= km * (1 + 1e-9))

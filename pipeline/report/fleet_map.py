"""Where the homes lie, on a flat map from their coordinates alone: x to the east, y to the south, in map units."""

from __future__ import annotations

from math import cos, floor, log10, radians
from typing import NamedTuple

import polars as pl

WIDTH = 1000.0
_MARGIN = 30.0
_LEAST_SPAN_DEG = 0.01  # about 1 km: a fleet in one street
_KM_A_DEGREE = 111.2
_TALLEST, _FLATTEST = 1.0, 0.45  # height over width
_BAR_SHARE = 0.25


class Flat(NamedTuple):
    """A map's projection (equirectangular at its middle) and size: map units, km a unit."""

    west: float
    north: float
    units_a_degree_east: float
    units_a_degree_south: float
    left: float
    top: float
    height: float
    km_a_unit: float

    def placed(self, homes: pl.DataFrame) -> pl.DataFrame:
        """Return the homes with `x` and `y`."""
        x = self.left + (pl.col("longitude") - self.west) * self.units_a_degree_east
        y = self.top + (self.north - pl.col("latitude")) * self.units_a_degree_south
        return homes.with_columns(x=x.round(1), y=y.round(1))

    def bar_km(self) -> float:
        """Return the length of a scale bar: 1, 2 or 5 times a power of ten [km], at most a quarter of the width."""
        most = self.km_a_unit * WIDTH * _BAR_SHARE
        power = 10.0 ** floor(log10(most))
        return max(step * power for step in (1, 2, 5) if step * power <= most)


def flat_map(homes: pl.DataFrame) -> Flat:
    """Return the map that holds all homes (latitude and longitude [degrees], none null, at least one)."""
    west, east = (float(homes["longitude"].min()), float(homes["longitude"].max()))  # type: ignore[arg-type]
    south, north = (float(homes["latitude"].min()), float(homes["latitude"].max()))  # type: ignore[arg-type]
    narrow = max(cos(radians((north + south) / 2)), 0.05)
    wide_km = max(east - west, _LEAST_SPAN_DEG) * narrow * _KM_A_DEGREE
    high_km = max(north - south, _LEAST_SPAN_DEG) * _KM_A_DEGREE
    inner = WIDTH - 2 * _MARGIN
    height = min(max(high_km / wide_km * inner + 2 * _MARGIN, _FLATTEST * WIDTH), _TALLEST * WIDTH)
    km_a_unit = max(wide_km / inner, high_km / (height - 2 * _MARGIN))
    south_units, east_units = _KM_A_DEGREE / km_a_unit, narrow * _KM_A_DEGREE / km_a_unit
    left = (WIDTH - (east - west) * east_units) / 2
    top = (height - (north - south) * south_units) / 2
    return Flat(west, north, east_units, south_units, left, top, round(height, 1), km_a_unit)

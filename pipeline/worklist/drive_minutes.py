"""Minutes on the road to a home, from the distance to the other homes worth a visit.

A truck drives from stop to stop, so what a home costs on the road is the way from its neighbours on the list, not from
the depot. The real rounds are `nightclamp dispatch`'s business.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy.spatial import KDTree

from pipeline.core.setting_sections import DispatchSettings, RankingSettings

Float = NDArray[np.float64]

# Mean radius of the earth, (2 a + b) / 3 of GRS 80 (Moritz, Journal of Geodesy 74:128, 2000).
EARTH_RADIUS_KM = 6371.0088
NEIGHBOURS, SETTING = "neighbours", "setting"


def drive_minutes(homes: pl.DataFrame, ranking: RankingSettings, dispatch: DispatchSettings) -> pl.DataFrame:
    """Return `site_id`, `drive_min` [min], `drive_from` ("neighbours" or "setting"), one row a row of `homes`.

    The mean great-circle distance to the [ranking] drive_neighbours nearest other candidates, times [dispatch]
    road_factor over speed_km_h, at least [ranking] least_drive_min and at most most_drive_min: farther apart than that
    homes are not stops of one round, some other crew is nearer. [ranking] drive_min where the home has no coordinates
    or the fleet fewer candidates than that.

    Parameters
    ----------
    homes
        site_id (unique), latitude, longitude [deg, null where unknown], `is_candidate`: others may drive on from it.
    ranking, dispatch
        The settings named above.
    """
    place = homes.select(pl.col("latitude", "longitude").cast(pl.Float64).fill_null(np.nan)).to_numpy()
    minutes = np.full(homes.height, ranking.drive_min)
    is_placed = np.isfinite(place).all(axis=1)
    is_stop = is_placed & homes["is_candidate"].fill_null(False).to_numpy()
    has_enough = is_placed & (is_stop.sum() - is_stop >= ranking.drive_neighbours)
    if has_enough.any():
        km = mean_distance(
            place[has_enough], place[is_stop], is_stop[has_enough], count=ranking.drive_neighbours
        )
        road_min = km * dispatch.road_factor / dispatch.speed_km_h * 60
        minutes[has_enough] = np.clip(road_min, ranking.least_drive_min, ranking.most_drive_min)
    drive_from = pl.Series(np.where(has_enough, NEIGHBOURS, SETTING))
    return homes.select("site_id", drive_min=pl.Series(minutes), drive_from=drive_from)


def mean_distance(places: Float, stops: Float, is_stop: NDArray[np.bool_], *, count: int) -> Float:
    """Return the mean great-circle distance [km] of each place to its `count` nearest stops other than itself.

    Parameters
    ----------
    places, stops
        Latitude and longitude [deg], (n, 2) and (m, 2).
    is_stop
        Whether the place is one of the stops (n,); it is then not its own neighbour.
    count
        How many stops; there must be that many others.
    """
    # by chords through the sphere, which order as the arcs do: arc = 2 R asin(chord / 2 R)
    chords, _ = KDTree(_on_sphere(stops)).query(_on_sphere(places), k=range(1, count + 2))
    arcs = 2 * EARTH_RADIUS_KM * np.arcsin(np.clip(chords / 2, 0.0, 1.0))
    # A stop's nearest stop is itself, at distance 0.
    others = np.where(is_stop[:, None], arcs[:, 1:], arcs[:, :-1])
    mean: Float = others.mean(axis=1)
    return mean


def _on_sphere(place: Float) -> Float:
    latitude, longitude = np.radians(place.T)
    flat = np.cos(latitude)
    return np.column_stack([flat * np.cos(longitude), flat * np.sin(longitude), np.sin(latitude)])

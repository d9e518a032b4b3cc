"""Minutes on the road: near neighbours on the list make a home near."""

import math

import numpy as np
import polars as pl
import pytest

from pipeline.core.settings import load_settings
from pipeline.worklist.drive_minutes import EARTH_RADIUS_KM, drive_minutes, mean_distance

SETTINGS = load_settings()
OWN = SETTINGS.ranking.model_copy(
    update={"drive_neighbours": 2, "drive_min": 40.0, "least_drive_min": 5.0, "most_drive_min": 90.0}
)
ROAD = SETTINGS.dispatch.model_copy(update={"road_factor": 1.5, "speed_km_h": 60.0})
DEGREE_KM = EARTH_RADIUS_KM * math.pi / 180  # of a great circle


def drives(*homes):
    """(latitude, is_candidate) of homes on one meridian -> their (minutes, where from)."""
    frame = pl.DataFrame(
        [
            {"site_id": f"h{at}", "latitude": latitude, "longitude": -105.0, "is_candidate": is_candidate}
            for at, (latitude, is_candidate) in enumerate(homes)
        ],
        schema_overrides={"latitude": pl.Float64},
    )
    return drive_minutes(frame, OWN, ROAD).select("drive_min", "drive_from").rows()


def test_the_way_is_from_the_nearest_candidates_around():
    told = drives((40.0, True), (40.1, True), (40.3, True), (40.9, False), (41.0, True))
    minute = 0.1 * DEGREE_KM * 1.5  # 0.1 degree at a km a minute
    assert told[0] == (pytest.approx((1 + 3) / 2 * minute), "neighbours")
    assert told[1] == (pytest.approx((1 + 2) / 2 * minute), "neighbours")
    assert told[3] == (pytest.approx((1 + 6) / 2 * minute), "neighbours")


def test_without_coordinates_or_neighbours_the_setting_serves():
    assert drives((None, True), (40.0, True), (40.1, True)) == [(40.0, "setting")] * 3
    assert drives((40.0, True), (40.1, False), (40.2, False)) == [(40.0, "setting")] * 3


def test_next_door_still_takes_parking():
    assert drives((40.0, True), (40.0, True), (40.0, True)) == [(5.0, "neighbours")] * 3


def test_homes_a_continent_apart_are_no_stops_of_one_round():
    assert drives((30.0, True), (40.0, True), (50.0, True)) == [(90.0, "neighbours")] * 3


def test_the_distance_is_the_great_circles():
    # Haversine (Sinnott, Sky and Telescope 68:159, 1984) as another way to the same arc.
    rng = np.random.default_rng(5)
    place = np.column_stack([rng.uniform(-60, 60, 30), rng.uniform(-180, 180, 30)])
    stop = np.column_stack([rng.uniform(-60, 60, 1), rng.uniform(-180, 180, 1)])
    (lat_a, lon_a), (lat_b, lon_b) = np.radians(place.T), np.radians(stop[0])
    half = np.sin((lat_b - lat_a) / 2) ** 2 + np.cos(lat_a) * np.cos(lat_b) * np.sin((lon_b - lon_a) / 2) ** 2
    haversine = 2 * EARTH_RADIUS_KM * np.arcsin(np.sqrt(half))
    near = mean_distance(place, stop, np.zeros(30, dtype=bool), count=1)
    np.testing.assert_allclose(near, haversine, rtol=1e-9)

"""Minutes between places: the great circle against published values, supplied minutes before it."""

import numpy as np
import pytest
from dispatch_homes import settings

from pipeline.dispatch.travel import UNREACHABLE, Travel, great_circle_km

ROAD = settings(speed_km_h=60.0, road_factor=1.0).dispatch


def between(start: tuple[float, float], to: tuple[float, float]) -> float:
    return float(great_circle_km(tuple(map(np.array, start)), tuple(map(np.array, to))))


def test_lyon_to_paris_is_as_published() -> None:
    # pypi.org/project/haversine 2.x, worked example on its page: 392.2172595594006 km
    assert between((45.7597, 4.8422), (48.8567, 2.3508)) == pytest.approx(392.2172595594006, abs=1e-6)


def test_a_minute_of_latitude_is_nearly_a_nautical_mile() -> None:
    # The nautical mile is 1.852 km by definition; on the mean sphere one minute is pi/10800 of 6371.0088 km.
    assert between((40.0, -105.0), (40.0 + 1 / 60, -105.0)) == pytest.approx(1.8532, abs=1e-4)


def test_the_far_side_and_the_date_line() -> None:
    assert between((0.0, 0.0), (0.0, 180.0)) == pytest.approx(np.pi * 6371.0088)
    assert between((0.0, 179.5), (0.0, -179.5)) == pytest.approx(between((0.0, 0.0), (0.0, 1.0)))


def at_equator(*degrees: float, **supplied: float) -> Travel:
    pairs = {(int(name[1]), int(name[2])): minutes for name, minutes in supplied.items()}
    return Travel(np.zeros(len(degrees)), np.array(degrees), ROAD, pairs)


def all_minutes(travel: Travel) -> list[list[int]]:
    places = np.arange(len(travel))
    return travel.minutes(places[:, None], places[None, :]).tolist()


def test_minutes_are_rounded_up() -> None:
    # one degree is 111.195 km, at 60 km/h as many minutes
    assert all_minutes(at_equator(0.0, 1.0)) == [[0, 112], [112, 0]]


def test_supplied_minutes_come_first_and_serve_the_way_back() -> None:
    assert all_minutes(at_equator(0.0, 1.0, 2.0, p01=30.2, p12=5.0, p21=9.0)) == [
        [0, 31, 223],
        [31, 0, 5],
        [223, 9, 0],
    ]


def test_without_coordinates_only_supplied_ways_exist() -> None:
    travel = at_equator(0.0, float("nan"), 1.0, p01=20.0)
    assert all_minutes(travel)[1] == [20, 0, UNREACHABLE]
    assert travel.is_supplied(np.array([0, 1, 1]), np.array([1, 0, 2])).tolist() == [True, True, False]

"""The small map: true to shape, numbers apart, places unknown left out."""

from itertools import combinations
from math import dist, nan

import pytest

from pipeline.dispatch.picture import WIDTH, route_map


def test_north_is_up_and_a_degree_of_longitude_shrinks_with_latitude() -> None:
    shown = route_map((60.0, 10.0), [(1, (61.0, 10.0)), (2, (60.0, 12.0))])
    assert shown is not None
    start, north, east = shown.way
    assert north[0] == start[0]
    assert north[1] < start[1]
    # at 60 deg two degrees of longitude are as long as one of latitude, and the mean latitude lies a bit north
    assert (east[0] - start[0]) / (start[1] - north[1]) == pytest.approx(2 * 0.4951, abs=0.01)


def test_numbers_of_neighbours_stand_apart() -> None:
    shown = route_map((40.0, -105.0), [(at, (40.1, -105.1)) for at in range(1, 8)])
    assert shown is not None
    labels = [mark.label for mark in shown.marks]
    assert min(dist(one, two) for one, two in combinations(labels, 2)) >= 24
    assert [mark.is_moved for mark in shown.marks] == [False] + [True] * 6
    assert all(0 < x < WIDTH and 0 < y < shown.height for x, y in labels)


def test_the_scale_is_a_round_length() -> None:
    shown = route_map((40.0, -105.0), [(1, (40.0, -104.0))])
    assert shown is not None
    assert shown.scale_km == 20
    assert shown.scale_px / 20 == pytest.approx((shown.way[1][0] - shown.way[0][0]) / 85.18, rel=0.01)


def test_a_single_home_at_the_start_point_still_draws() -> None:
    shown = route_map((40.0, -105.0), [(1, (40.0, -105.0))])
    assert shown is not None
    assert shown.marks[0].is_moved


def test_unknown_places_are_left_out() -> None:
    shown = route_map((40.0, -105.0), [(1, (nan, nan)), (2, (40.1, -105.0))])
    assert shown is not None
    assert [mark.number for mark in shown.marks] == [2]
    assert route_map((nan, nan), [(1, (40.0, -105.0))]) is None
    assert route_map((40.0, -105.0), [(1, (nan, nan))]) is None

"""The sun's place against pvlib, a printed example and almanac times; the fallback for homes without one."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import duckdb
import numpy as np
import pandas as pd
import polars as pl
import pvlib
import pytest

from pipeline.core import sql_runner
from pipeline.features.site_location import site_coordinates, zone_middle

ALLOWED_DEG = 0.02
MINUTES_OF_TURN_DEG = 0.25  # the sun's hour angle moves a degree in four minutes


@pytest.fixture(scope="module")
def con() -> duckdb.DuckDBPyConnection:
    con = duckdb.connect()
    con.execute(sql_runner.sql_text("macros"))
    return con


def sun_time(con: duckdb.DuckDBPyConnection, times: list[datetime], interval_min: float) -> pl.DataFrame:
    starts = pl.DataFrame(
        {"interval_start": times, "length_min": interval_min},
        schema={"interval_start": pl.Datetime("us"), "length_min": pl.Float64},
    )
    con.register("interval_time", starts.to_arrow())
    return sql_runner.query(con, "sun_time", {}).sort("interval_start")


def elevations(
    con: duckdb.DuckDBPyConnection, times: list[datetime], latitude: float, longitude: float, width: float = 0
) -> np.ndarray:
    """Elevation [deg] by the macro the pipeline uses, one number a time."""
    con.register("sun", sun_time(con, times, width).to_arrow())
    sines = con.execute(
        """SELECT sun_sin_elevation(sin(radians($lat)), cos(radians($lat)), radians($lon),
               sin_declination, cos_declination, greenwich_hour_angle_rad)
           FROM sun ORDER BY interval_start""",
        {"lat": latitude, "lon": longitude},
    ).fetchnumpy()
    return np.degrees(np.arcsin(next(iter(sines.values()))))


@pytest.mark.parametrize("year", [2007, 2026, 2035])
@pytest.mark.parametrize(("latitude", "longitude"), [(65, -150), (39.74, -105.2), (0, 20), (-35, 149)])
def test_elevation_agrees_with_pvlib_all_year(con, year: int, latitude: float, longitude: float) -> None:
    times = [datetime(year, 1, 1) + timedelta(minutes=311 * step) for step in range(1690)]

    found = elevations(con, times, latitude, longitude)

    oracle = pvlib.solarposition.spa_python(
        pd.DatetimeIndex(times, tz="UTC"), latitude, longitude, how="numpy"
    )["elevation"].to_numpy()
    worst = np.abs(found - oracle).max()
    assert worst < ALLOWED_DEG, f"off by {worst:.4f} deg"


def test_elevation_and_declination_of_the_printed_example(con) -> None:
    # Reda & Andreas, NREL/TP-560-34302, worked example, 2003-10-17 12:30:30 UTC-7. Their elevation is
    # seen from the ground, which lowers the sun by its parallax; night and day don't notice.
    moment = [datetime(2003, 10, 17, 19, 30, 30)]
    parallax_deg = 8.794 / 3600 * np.cos(np.radians(39.872))

    found = elevations(con, moment, 39.742476, -105.1786)[0]

    assert found == pytest.approx(39.872046 + parallax_deg, abs=ALLOWED_DEG)
    declination = np.degrees(np.arcsin(sun_time(con, moment, 0)["sin_declination"][0]))
    assert declination == pytest.approx(-9.31434, abs=ALLOWED_DEG)


@pytest.mark.parametrize(
    ("latitude", "moment"),
    [
        # Reda & Andreas, NREL/TP-560-34302, their sunrise and sunset examples, which pvlib's tests carry
        (-35, datetime(1996, 7, 5, 7, 8, 15)),
        (-35, datetime(1996, 7, 5, 17, 1, 4)),
        (35, datetime(1994, 1, 2, 7, 8, 12)),
        (35, datetime(1994, 1, 2, 16, 59, 55)),
    ],
)
def test_the_sun_is_at_the_horizon_at_sunrise_and_sunset(con, latitude: float, moment: datetime) -> None:
    # by convention the centre is 50' below it: 34' of refraction and 16' of half the disc
    assert elevations(con, [moment], latitude, 0)[0] == pytest.approx(-50 / 60, abs=ALLOWED_DEG)


def test_an_interval_is_judged_at_its_middle(con) -> None:
    start = datetime(2026, 3, 20, 15)

    of_an_hour = elevations(con, [start], 40, -105, width=60)[0]

    assert of_an_hour == pytest.approx(
        elevations(con, [start + timedelta(minutes=30)], 40, -105)[0], abs=1e-9
    )
    assert of_an_hour - elevations(con, [start], 40, -105)[0] > 5


def test_the_hour_angle_is_zero_when_the_sun_stands_south(con) -> None:
    # at Greenwich the true noon of 3 November is 16 min 25 s early, the equation of time's extreme (memory)
    gha = sun_time(con, [datetime(2026, 11, 3, 11, 43, 35)], 0)["greenwich_hour_angle_rad"][0]

    assert np.degrees(np.sin(gha)) == pytest.approx(0, abs=MINUTES_OF_TURN_DEG / 4)
    assert np.cos(gha) > 0


def home(site_id: str, timezone: str | None, latitude: float | None, longitude: float | None) -> dict:
    return {"site_id": site_id, "timezone": timezone, "latitude": latitude, "longitude": longitude}


SITES = {"site_id": pl.String, "timezone": pl.String, "latitude": pl.Float64, "longitude": pl.Float64}


def test_a_home_without_coordinates_stands_in_the_middle_of_its_time_zone() -> None:
    sites = pl.DataFrame(
        [
            home("known", "America/Denver", 40.1, -104.9),
            home("zone only", "America/Denver", None, None),
            home("no longitude", "America/Denver", 37.0, None),
            home("nothing", None, None, None),
            home("no such zone", "America/Nowhere", None, None),
            home("zone without a place", "Etc/GMT+7", None, None),
        ],
        schema=SITES,
    )

    placed = site_coordinates(sites)

    assert placed["site_id"].to_list() == sites["site_id"].to_list()
    # Denver's place is +394421 in zone.tab; mountain standard time is seven hours behind
    denver = 39 + 44 / 60 + 21 / 3600
    assert placed["latitude"].to_list() == [40.1, pytest.approx(denver), 37.0, None, None, None]
    assert placed["longitude"].to_list() == [-104.9, -105.0, -105.0, None, None, None]
    assert placed["is_assumed"].to_list() == [False, True, True, False, False, False]


def test_no_home_has_a_zone() -> None:
    sites = pl.DataFrame([home("a", None, None, None)], schema={**SITES, "timezone": pl.Null})

    assert site_coordinates(sites).rows() == [("a", None, None, False)]


@pytest.mark.parametrize(
    ("timezone", "longitude"),
    [
        ("US/Mountain", -105.0),  # an old name of Denver
        ("America/Phoenix", -105.0),  # no summer time
        ("Pacific/Auckland", 180.0),  # summer time in January
        ("Europe/Dublin", 0.0),  # its winter time is the exception by law
        ("Asia/Kolkata", 82.5),
    ],
)
def test_the_middle_of_a_zone_ignores_summer_time(timezone: str, longitude: float) -> None:
    middle = zone_middle(timezone)

    assert middle is not None
    assert middle[1] == longitude


def test_the_assumed_place_is_good_enough_for_night(con) -> None:
    # midsummer midnight, when the sun is least far below: as deep as the zone's latitude says
    latitude, longitude = zone_middle("America/Denver") or (0, 0)
    midnight = [datetime.combine(date(2026, 6, 21), datetime.min.time()) + timedelta(hours=7)]

    assert elevations(con, midnight, latitude, longitude)[0] == pytest.approx(latitude + 23.44 - 90, abs=0.1)

"""Loads, sun and batteries of family "weather": they follow the sun, and no two homes alike."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from pipeline.simulate.families import sunny_loads
from pipeline.simulate.families.clouds import over_home, sky_over, sun_share
from pipeline.simulate.families.draw import areas, draw_fleet
from pipeline.simulate.families.heavy import tariff_battery
from pipeline.simulate.families.powers import draw_inverter_tan, draw_planes, powers_of
from pipeline.simulate.families.spec import UnlikeSpec
from pipeline.simulate.families.sunny_loads import cycles, draw_loads, surplus

SPEC = UnlikeSpec(sites=60, days=6, seed=5, fault_share=0.0, hard_share=0.0, family="weather")
WINTER = replace(SPEC, end=date(2026, 1, 20))
PLACES = areas(SPEC)


def _rng(seed=0):
    return np.random.default_rng(seed)


@pytest.fixture(scope="module")
def homes():
    return [home for street in draw_fleet(SPEC) for home in street]


@pytest.fixture(scope="module")
def plain(homes):
    home = next(home for home in homes if home.service == "120/240" and home.roof and not home.battery)
    return replace(home, has_ev=False, area=3)


def _outside(spec, area, seed=0):
    return over_home(sky_over(spec, area, PLACES[area]), _rng(seed))


def _hourly(values):
    return values.reshape(-1, 60).mean(axis=1)


def _loads(spec, home, seed=0):
    outside = _outside(spec, home.area, seed)
    pv_w = 4 * outside.sun_w * (home.roof is not None)
    return outside, draw_loads(spec, home, PLACES[home.area], outside=outside, pv_w=pv_w, rng=_rng(seed))


def test_clouds_pass_over_the_homes_of_an_area_one_after_the_other():
    sky = sky_over(SPEC, 0, PLACES[0])
    seen = [over_home(sky, _rng(seed)).index for seed in range(6)]

    assert 0.02 < np.min(seen) < 0.4
    assert 1.0 < np.max(seen) <= 1.3
    alike = np.corrcoef(seen)[np.triu_indices(6, 1)]
    assert 0.2 < alike.mean() < 0.97
    assert np.abs(np.diff(seen[0])).max() > 0.1


def test_air_follows_the_sun_and_the_season():
    winter, summer = (_outside(spec, 2) for spec in (WINTER, SPEC))

    assert winter.air_c.mean() < summer.air_c.mean() - 12
    for air in (winter, summer):
        assert np.corrcoef(np.roll(air.sun_w, 180), air.air_c)[0, 1] > 0.15
        assert np.all(air.sun_w >= 0)


def test_the_sun_is_up_as_long_as_the_season_says():
    for end, most, least in ((date(2026, 6, 14), 15.5, 14.5), (date(2026, 12, 20), 9.5, 8.5)):
        hours = np.count_nonzero(sun_share(end, 2880, latitude=43.0, longitude=-89.0)) / 120
        assert least < hours < most


def test_a_thermostats_share_of_time_is_its_duty():
    for duty in (0.0, 0.2, 0.7, 1.0):
        assert cycles(_rng(), np.full(3000, duty), 4.0).mean() == pytest.approx(duty, abs=0.02)


def test_loads_follow_the_sun_in_homes_with_cooling(plain, monkeypatch):
    monkeypatch.setattr(sunny_loads, "COOLED", 1.0)
    found = []
    for seed in range(12):
        outside, loads = _loads(SPEC, plain, seed)
        watts = loads.va.real.sum(axis=0).reshape(-1, 15).mean(axis=1)
        found.append(np.corrcoef(watts, outside.sun_w.reshape(-1, 15).mean(axis=1))[0, 1])

    assert np.mean(found) > 0.1
    assert np.mean(np.array(found) > 0) > 0.7


def test_winter_heats_most_when_it_is_coldest(plain, monkeypatch):
    monkeypatch.setattr(sunny_loads, "HEATED", 1.0)
    home = replace(plain, area=2, roof=None)
    found = []
    for seed in range(8):
        outside, loads = _loads(WINTER, home, seed)
        found.append(np.corrcoef(*(_hourly(values) for values in (loads.line.real, outside.air_c)))[0, 1])

    assert np.mean(found) < -0.05


def test_legs_are_uneven_and_power_factors_are_anything(plain):
    drawn = [_loads(SPEC, plain, seed)[1] for seed in range(40)]
    ones, twos = (np.array([loads.leg(leg).sum() for loads in drawn]) for leg in (1, 2))

    share = ones.real / (ones + twos).real
    assert np.mean(np.abs(share - 0.5) > 0.2) > 0.3
    night_tan = (ones.imag + twos.imag) / (ones.real + twos.real)
    assert night_tan.min() < 0 < night_tan.max()
    assert min(loads.va.real.min() for loads in drawn) >= 0


def test_a_vacant_home_takes_its_base_and_a_single_line_has_no_leg_2(plain):
    for seed in range(5):
        vacant = _loads(SPEC, replace(plain, hard="vacant"), seed)[1].va.real.sum(axis=0)
        assert 10 < vacant.mean() < 130
        assert np.ptp(vacant) < 1e-6
    single = _loads(SPEC, replace(plain, service="single"))[1].va
    assert not single[2:4].any()


def test_what_follows_the_surplus_stops_at_its_need_and_at_night():
    local = PLACES[0].local_minutes(SPEC.steps)
    pv_w = 5000 * sun_share(SPEC.end, SPEC.steps, latitude=41.0, longitude=-73.0)

    taken = surplus(np.full(SPEC.steps, 500.0), pv_w, local, most_w=3000.0, kwh_a_day=6.0, least_w=1400.0)

    a_day = np.array([taken[local // 1440 == day].sum() / 60e3 for day in range(2, 6)])
    assert np.all((a_day > 5.5) & (a_day < 6.01))
    assert taken[pv_w == 0].max() == 0
    assert taken[taken > 0].min() >= 1400


def test_some_arrays_face_two_ways_behind_one_inverter(plain):
    planes = [draw_planes(plain.roof, _rng(seed)) for seed in range(200)]

    two = [pair for pair in planes if len(pair) == 2]
    assert 0.25 < len(two) / 200 < 0.45
    for one, other in two:
        assert one.dc_kw + other.dc_kw == pytest.approx(plain.roof.dc_kw)
        assert abs(one.azimuth - other.azimuth) >= 89
    for seed in range(5):
        powers = powers_of(SPEC, plain, PLACES[plain.area], rng=_rng(seed))
        assert powers.pv_w.max() <= 1000 * plain.roof.ac_kw + 1e-6
        assert powers.pv_w.min() >= -6


def test_inverters_hold_a_power_factor_of_095_or_more(plain):
    pv_w = np.linspace(0, 1000 * plain.roof.ac_kw, 50)
    found = [draw_inverter_tan(plain, pv_w, _rng(seed)) for seed in range(200)]

    some = [tan for tan in found if tan is not None]
    assert 0.4 < len(some) / 200 < 0.7
    assert np.abs(some).max() <= 0.33
    assert np.min(some) < -0.1
    assert np.max(some) > 0.1


@pytest.mark.parametrize("by_tariff", [False, True])
def test_a_battery_keeps_its_ratings(by_tariff):
    hour = (np.arange(SPEC.steps) % 1440) / 60
    net_w = 800 - 4000 * np.clip(np.sin((hour - 6) / 12 * np.pi), 0, None)

    for seed in range(4):
        given = tariff_battery(_rng(seed), net_w, hour, most_w=3300.0, kwh=9.0, by_tariff=by_tariff)
        assert np.abs(given).max() <= 3300
        assert np.all(given[net_w > 0] <= net_w.max())
        assert given.min() < -1000
        assert given.max() > 0
        if by_tariff:
            assert given[(hour > 6) & (hour < 15)].max() <= 0


def test_the_same_generator_gives_the_same_powers(plain):
    home = replace(plain, battery="self", has_ev=True)
    one, again, other = (powers_of(SPEC, home, PLACES[3], rng=_rng(seed)) for seed in (1, 1, 2))

    assert one.loads.va.tobytes() == again.loads.va.tobytes()
    assert one.battery_w.tobytes() == again.battery_w.tobytes()
    assert one.loads.va.tobytes() != other.loads.va.tobytes()

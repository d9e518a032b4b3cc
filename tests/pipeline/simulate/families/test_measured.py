"""Homes of measured circuits and a measured array: nothing invented, light only by day, legs unlike."""

from dataclasses import replace
from datetime import datetime, timedelta

import numpy as np
import pytest

from pipeline.simulate.families.draw import areas, draw_fleet
from pipeline.simulate.families.extra import need
from pipeline.simulate.families.measured import day_bundles, draw_circuits, draw_loads, measured_days
from pipeline.simulate.families.measured_sun import LONGITUDE, half_day_min, noon_min, production
from pipeline.simulate.families.powers import powers_of
from pipeline.simulate.families.spec import UnlikeSpec

SPEC = UnlikeSpec(sites=40, days=6, seed=5, fault_share=0.0, hard_share=0.0, family="measured")
PLACES = areas(SPEC)


@pytest.fixture(scope="module")
def homes():
    return [replace(home, has_ev=False) for street in draw_fleet(SPEC) for home in street]


@pytest.fixture(scope="module")
def plain(homes):
    return next(home for home in homes if home.service == "120/240" and home.roof and not home.battery)


def _rng(seed=0):
    return np.random.default_rng(seed)


def _powers(home, seed=0, spec=SPEC):
    return powers_of(spec, home, PLACES[home.area], rng=_rng(seed))


def _height_deg(roof, steps):
    """The sun's height in the middle of every minute, by pvlib."""
    pandas, pvlib = need("pandas"), need("pvlib")
    times = pandas.date_range(SPEC.start + timedelta(seconds=30), periods=steps, freq="min", tz="UTC")
    zenith = pvlib.solarposition.spa_python(times, roof.latitude, roof.longitude)["zenith"]
    return 90 - zenith.to_numpy()


def test_powers_have_the_shapes_of_every_family(plain):
    powers = _powers(plain)

    assert powers.loads.va.shape == (6, SPEC.steps)
    assert powers.loads.va.dtype == np.complex128
    for watts in (powers.pv_w, powers.battery_w, powers.hidden_w):
        assert watts.shape == (SPEC.steps,)
        assert np.isfinite(watts).all()
    assert not powers.battery_w.any()
    assert not powers.hidden_w.any()


@pytest.mark.parametrize("days", [1, 6])
def test_every_place_and_hard_home_can_be_built(homes, days):
    spec = replace(SPEC, days=days)
    for hard in ("", "ev_all_night", "vacant", "pv_outage", "snow", "second_array"):
        for area in range(len(PLACES)):
            home = replace(homes[area], area=area, hard=hard, has_ev=True)
            powers = _powers(home, area, spec)
            assert np.isfinite(powers.loads.va).all()
            assert powers.loads.va.real.min() >= 0


def test_the_same_generator_gives_the_same_bytes(plain):
    home = replace(plain, battery="self", has_ev=True, hard="second_array")
    one, again, other = _powers(home, 3), _powers(home, 3), _powers(home, 4)

    for name in ("pv_w", "battery_w", "hidden_w"):
        assert getattr(one, name).tobytes() == getattr(again, name).tobytes()
    assert one.loads.va.tobytes() == again.loads.va.tobytes()
    assert one.loads.va.tobytes() != other.loads.va.tobytes()


def test_a_day_is_whole_and_dealt_without_a_watt_invented():
    table = measured_days()

    for day in (0, 17, 400, 1200):
        bundles = day_bundles(day)
        assert bundles.shape == (4, 1440)
        assert bundles.min() >= 0
        np.testing.assert_allclose(bundles.sum(axis=0), table.watts["rest"][day], atol=0.01)
    assert 1300 < table.day_of_year.size == table.tan.shape[0]
    assert 0.26 < table.is_rest.mean() < 0.31


@pytest.mark.parametrize("seed", range(4))
def test_loads_are_the_dealt_circuits(plain, seed):
    local = PLACES[plain.area].local_minutes(SPEC.steps)
    table = measured_days()

    loads = draw_loads(SPEC, plain, PLACES[plain.area], rng=_rng(seed))

    total = np.zeros(SPEC.steps)
    for circuit in draw_circuits(SPEC, plain, local, rng=_rng(seed)):
        if circuit.name == "rest":
            watts = sum(
                size * np.concatenate([day_bundles(day)[group] for day in circuit.days])
                for group, size in enumerate(circuit.sizes[:4])
            )
        else:
            watts = circuit.sizes.sum() * np.concatenate(table.watts[circuit.name][circuit.days])
        total += np.roll(watts, circuit.later_min)[local[0] : local[-1] + 1]
    np.testing.assert_allclose(loads.va.real.sum(axis=0), total, rtol=1e-5, atol=0.01)


def test_circuits_live_on_different_days_of_the_same_kind(plain):
    local = PLACES[plain.area].local_minutes(SPEC.steps)
    table = measured_days()

    circuits = draw_circuits(SPEC, plain, local, rng=_rng(2))

    assert {circuit.name for circuit in circuits} == {"rest", "kitchen", "laundry", "heater"}
    first = SPEC.start.date() - timedelta(days=1)
    for at, days in enumerate(np.array([circuit.days for circuit in circuits]).T):
        assert len(set(days)) == len(circuits)
        assert (table.is_rest[days] == ((first + timedelta(days=at)).weekday() >= 5)).all()


def test_some_homes_live_by_the_opposite_season(plain):
    local = PLACES[plain.area].local_minutes(SPEC.steps)
    days = [draw_circuits(SPEC, plain, local, rng=_rng(seed))[0].days for seed in range(40)]

    is_winter = [np.isin(measured_days().day_of_year[of] // 31, (0, 10, 11)).all() for of in days]
    is_summer = [(np.abs(measured_days().day_of_year[of] - 162) < 45).all() for of in days]
    assert 5 < sum(is_winter) < 25
    assert sum(is_winter) + sum(is_summer) == 40


def test_only_what_is_not_the_heater_is_reactive(plain):
    for seed in range(6):
        loads = draw_loads(SPEC, plain, PLACES[plain.area], rng=_rng(seed))
        assert loads.va.imag.min() >= 0
        assert 0.03 < loads.va[:4].imag.sum() / loads.va[:4].real.sum() < 0.6


def test_legs_are_uneven_in_many_homes(plain):
    legs = [draw_loads(SPEC, plain, PLACES[plain.area], rng=_rng(seed)) for seed in range(30)]

    share = np.array([one.leg(1).real.sum() / (one.leg(1) + one.leg(2)).real.sum() for one in legs])
    assert np.mean(np.abs(share - 0.5) > 0.1) > 0.4
    assert share.min() < 0.35
    assert share.max() > 0.65
    apart = [np.corrcoef(np.diff(one.leg(1).real), np.diff(one.leg(2).real))[0, 1] for one in legs]
    assert np.median(apart) < 0.2


def test_a_vacant_home_takes_tens_of_watts(plain):
    for seed in range(8):
        watts = _powers(replace(plain, hard="vacant", has_ev=True), seed).loads.va.real.sum(axis=0)
        assert 10 < watts.mean() < 100
        assert watts.max() < 700


def test_a_single_line_has_no_leg_2(homes):
    home = replace(homes[0], service="single")

    va = _powers(home).loads.va

    assert not va[2:4].any()
    assert va[:2].real.sum() > 0


def test_a_car_charges(plain):
    area = PLACES[plain.area]
    for facts in ({"has_ev": True}, {"hard": "ev_all_night"}):
        with_car = draw_loads(SPEC, replace(plain, **facts), area, rng=_rng(1)).va.real
        assert with_car.sum() > draw_loads(SPEC, plain, area, rng=_rng(1)).va.real.sum() + 60 * 3000


def test_it_is_dark_at_night_at_the_homes_place(plain):
    for area, place in enumerate(PLACES):
        roof = replace(plain.roof, latitude=place.latitude + 0.1, longitude=place.longitude - 0.2)
        home = replace(plain, area=area, roof=roof)
        pv_w = _powers(home, area).pv_w
        height = _height_deg(home.roof, SPEC.steps)

        assert pv_w[height < -1.5].max() <= 0
        assert pv_w.min() > -20
        assert pv_w[height > 50].mean() > 0.2 * 1000 * home.roof.ac_kw
        assert pv_w.max() <= 1000 * home.roof.ac_kw


def test_noon_and_length_of_the_day_are_the_places(plain):
    june = np.array([166.0])
    height = _height_deg(plain.roof, SPEC.steps)
    up_min = np.count_nonzero(height > -0.833) / SPEC.days

    assert noon_min(june, LONGITUDE)[0] == pytest.approx(19 * 60 + 1, abs=1.5)
    assert 2 * half_day_min(june, plain.roof.latitude)[0] == pytest.approx(up_min, abs=5)


def test_days_are_of_a_like_season_and_stretched(plain):
    made = {
        month: production(plain.roof, datetime(2026, month, 1), 10 * 1440, rng=_rng(1))[0]
        for month in (6, 12)
    }
    lit = {month: np.count_nonzero(watts > 0) / 10 for month, watts in made.items()}

    for month, doy in ((6, 156.0), (12, 340.0)):
        assert lit[month] == pytest.approx(2 * half_day_min(np.array([doy]), plain.roof.latitude)[0], abs=40)


def test_an_outage_leaves_no_production(plain):
    assert _powers(replace(plain, hard="pv_outage"), 2).pv_w.clip(0).sum() < _powers(plain, 2).pv_w.sum()


def test_a_second_array_has_the_same_sky_at_other_hours(plain):
    powers = _powers(replace(plain, hard="second_array"), 6)
    height = _height_deg(plain.roof, SPEC.steps)

    assert powers.hidden_w.max() > 200
    assert powers.hidden_w[height < -1.5].max() == 0
    assert np.corrcoef(powers.hidden_w, powers.pv_w)[0, 1] > 0.5


def test_a_selling_battery_sells(plain):
    assert _powers(replace(plain, battery="exports")).battery_w.max() > 1000

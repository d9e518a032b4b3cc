"""A simulated home obeys the circuit, the sun and its plan."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from pipeline.faults.cts import Wiring, measure
from pipeline.simulate.home import clean_home
from pipeline.simulate.plan import HARD
from pipeline.simulate.sky import sun
from pipeline.simulate.spec import FleetSpec, Window, Wish

SPEC = FleetSpec(sites=20, days=4, minutes=15, seed=5)


def home(number=0, hard="", **values):
    return clean_home(SPEC, number, Wish(hard=hard, values=tuple(values.items())))


@pytest.mark.parametrize("number", range(12))
def test_the_utility_meter_sees_load_less_solar_less_battery(number):
    simulated = clean_home(SPEC, number)
    seen = measure(simulated.circuit, Wiring.sound(simulated.plan.service, ct_sees_pv=True))
    np.testing.assert_allclose(seen.va.sum(axis=0).real, simulated.net_w, atol=1e-6)


@pytest.mark.parametrize("number", range(12))
def test_every_number_is_a_number_and_every_load_consumes(number):
    simulated = clean_home(SPEC, number)
    load_va = simulated.circuit.load_va
    assert np.isfinite(load_va).all()
    assert load_va.real.sum(axis=0).min() > 0
    assert simulated.pv_w.min() >= 0


def test_the_sun_follows_the_published_worked_example():
    # NREL/TP-560-34302: 2003-10-17 12:30:30 UTC-7, 39.742476 N 105.1786 W: elevation before
    # refraction 39.872046 deg, azimuth 194.340241 deg. Our 1-minute step is centred on 19:30:30 UTC.
    sine, azimuth = sun(Window(date(2003, 10, 17), 1, 1, 1), 39.742476, -105.1786)
    at = 19 * 60 + 30
    assert np.rad2deg(np.arcsin(sine[at])) == pytest.approx(39.872046, abs=0.03)
    assert azimuth[at] == pytest.approx(194.340241, abs=0.03)


def test_there_is_no_production_without_sun():
    simulated = home(0, is_plain=False)
    sine, _ = sun(simulated.plan.window, simulated.plan.latitude, simulated.plan.longitude)
    assert simulated.pv_w[sine < 0].max() == 0
    assert simulated.pv_w[sine > 0.4].max() > 100
    assert simulated.pv_w.max() <= simulated.plan.array.ac_w


def test_the_southern_sun_culminates_in_the_north():
    sine, azimuth = sun(Window(date(2026, 6, 1), 1, 5, 5), -35.0, 0.0)
    assert np.cos(np.deg2rad(azimuth[np.argmax(sine)])) > 0.998


def test_the_clock_follows_daylight_saving():
    hour = Window(date(2026, 3, 8), 1, 5, 5).local_hour("America/Denver")
    assert hour[0] == 17.0  # UTC midnight is 17:00 the day before, standard time
    assert hour[-1] == pytest.approx(17 + 55 / 60)  # and 24 h later an hour further


def test_a_vacant_home_draws_about_sixty_watts():
    simulated = home(3, hard="vacant")
    load = sum(part.real.mean() for part in simulated.circuit.load_va)
    assert 40 < load < 80


def test_a_car_charging_all_night_never_drives_the_night_negative():
    simulated = home(4, hard="ev_all_night", battery_wh=0.0, is_plain=False)
    hour = simulated.plan.window.local_hour(simulated.plan.timezone)
    night = simulated.net_w[(hour > 22) | (hour < 3)]
    assert night.min() > 0
    assert np.median(night) > 1300


def test_a_battery_keeps_its_books():
    simulated = home(5, battery_wh=10_000.0, battery_w=4_000.0, is_plain=False)
    step_h = simulated.plan.window.step / 60
    assert np.abs(simulated.battery_w).max() <= 4_000
    out_wh = simulated.battery_w.clip(0).sum() * step_h
    in_wh = -simulated.battery_w.clip(None, 0).sum() * step_h
    assert out_wh <= 0.94 * in_wh + 0.4 * 10_000 + 1  # it starts half full and keeps a tenth


def test_an_exporting_battery_turns_the_evening_negative():
    simulated = home(6, hard="battery_export", battery_wh=20_000.0, battery_w=6_000.0, base_w=50.0)
    hour = simulated.plan.window.local_hour(simulated.plan.timezone)
    assert simulated.net_w[(hour >= 17) | (hour < 2)].min() < -1_000


def test_a_loose_neutral_tears_the_legs_apart():
    def spread(hard):
        circuit = home(7, hard=hard, service="120/240", volts=120.0, is_plain=False).circuit
        return np.std(np.subtract(*np.abs(circuit.volts)))

    assert spread("loose_neutral") > 2.5 * spread("")


def test_a_single_leg_inverter_feeds_one_leg():
    circuit = home(8, hard="single_leg_inverter").circuit
    assert (np.abs(circuit.pv).max(axis=1) > 1).sum() == 1


def test_an_outage_leaves_a_home_without_production_some_time():
    whole = clean_home(replace(SPEC, days=20), 2, Wish(hard=""))
    for hard in ("pv_outage", "snow"):
        assert clean_home(replace(SPEC, days=20), 2, Wish(hard=hard)).pv_w.sum() < 0.9 * whole.pv_w.sum()


@pytest.mark.parametrize("hard", HARD)
def test_each_oddity_can_be_asked_for(hard):
    assert home(9, hard=hard).plan.hard == hard


@pytest.mark.parametrize("minutes", [1, 5, 15, 30, 60])
def test_all_interval_lengths_have_whole_steps(minutes):
    window = clean_home(replace(SPEC, days=1, minutes=minutes), 1).plan.window
    assert window.steps_out * window.step == minutes


def test_homes_are_diverse():
    plans = [clean_home(replace(SPEC, sites=60, days=1), number).plan for number in range(60)]
    assert {plan.service for plan in plans} == {"120/240", "120/208", "single"}
    assert {plan.sees_pv for plan in plans} == {True, False}
    assert {plan.cts_per_leg for plan in plans} == {1, 2}
    assert min(plan.base_w for plan in plans) < 60
    assert max(plan.base_w for plan in plans) > 300
    assert any(plan.latitude < 0 for plan in plans)
    assert any(plan.is_plain for plan in plans)

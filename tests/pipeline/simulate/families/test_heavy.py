"""Tank, heat pump, car and battery: each follows what drives it."""

import numpy as np
import pytest

from pipeline.simulate.families import heavy

DAY = np.arange(5 * 1440, dtype=np.int64)


@pytest.mark.parametrize("seed", range(8))
def test_the_tank_makes_good_what_is_drawn_and_lost(seed):
    rng = np.random.default_rng(seed)

    power = heavy.water_heater(rng, np.full(DAY.size, 1.5), 4500.0)

    assert set(np.unique(power)) == {0.0, 4500.0}
    drawn_kwh = DAY.size * (heavy.DRAW_A_MIN * 1.5 * heavy.DRAW_KWH + heavy.TANK_LOSS_W / 60e3)
    assert power.sum() / 60e3 == pytest.approx(drawn_kwh, rel=0.5)


def test_nobody_at_home_leaves_the_tank_its_losses():
    power = heavy.water_heater(np.random.default_rng(1), np.zeros(DAY.size), 4500.0)

    assert power.sum() / DAY.size == pytest.approx(heavy.TANK_LOSS_W, rel=0.35)


def test_the_heat_pump_runs_when_it_is_hot_or_cold_and_rests_between():
    mild, hot, cold = (
        heavy.heat_pump(np.random.default_rng(2), np.full(DAY.size, air_c), 3000.0).mean()
        for air_c in (19.0, 36.0, -5.0)
    )

    assert mild == 0
    assert hot > 800
    assert cold > 800


def test_the_heat_pump_cycles():
    power = heavy.heat_pump(np.random.default_rng(2), np.full(DAY.size, 32.0), 3000.0)

    starts_an_hour = np.sum((power[1:] > 0) & (power[:-1] == 0)) / (DAY.size / 60)
    assert 0.5 < starts_an_hour < 4


def test_the_car_waits_for_its_driver():
    rng = np.random.default_rng(0)
    evening = ((DAY % 1440) // 60 >= 20).astype(float)

    charges = [heavy.car(rng, evening, DAY, charger_w=7200.0) for _ in range(20)]

    waits = [power for power in charges if np.any((power > 0) & ((DAY % 1440) // 60 == 20))]
    assert waits, "none of twenty cars came home at eight"
    assert all(power.max() <= 7200.0 for power in charges)
    assert sum(power.sum() for power in charges) > 0


def test_a_slow_car_charges_at_midnight_and_never_at_noon():
    power = heavy.car_all_night(np.random.default_rng(0), DAY, 3300.0)

    assert np.all(power[DAY % 1440 == 0] > 3000)
    assert np.all(power[DAY % 1440 == 720] == 0)


def test_a_battery_covers_the_night_from_the_days_surplus_within_its_rating():
    hour = (DAY % 1440) / 60
    net_w = np.where((hour >= 9) & (hour < 16), -4000.0, 900.0)

    power = heavy.battery(np.random.default_rng(0), net_w, hour, most_w=3300.0, kwh=13.5, exports=False)

    assert power.min() >= -3300
    assert power.max() <= 3300
    assert np.all(power[net_w > 0] >= 0)
    assert np.all(power[net_w < 0] <= 0)
    assert np.isclose(power[(DAY > 1440) & (hour > 17) & (hour < 20)], 900).all()


def test_a_battery_that_sells_gives_more_than_the_home_takes():
    hour = (DAY % 1440) / 60
    net_w = np.where((hour >= 9) & (hour < 16), -4000.0, 400.0)

    power = heavy.battery(np.random.default_rng(0), net_w, hour, most_w=5000.0, kwh=20.0, exports=True)

    assert np.max(power - net_w) > 1500

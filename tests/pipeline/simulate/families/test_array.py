"""Production: dark at night, right at noon, clipped at the inverter, weaker under cloud."""

from dataclasses import replace
from datetime import datetime

import numpy as np

from pipeline.simulate.families.array import production
from pipeline.simulate.families.spec import Area, Roof, UnlikeSpec
from pipeline.simulate.families.weather import MARGIN_MIN, seen_from_home, weather

SOUTH = Roof(latitude=39.7, longitude=-105.0, tilt=25, azimuth=180, dc_kw=6.0, ac_kw=6.0)
START = datetime(2026, 6, 14)
DAY = 1440
SOLAR_NOON_MIN = 720 + 105 * 4  # UTC; the equation of time is within a minute in mid-June
PRAIRIE = Area("prairie", "America/Denver", 39.7, -105.0, -360, 20.0)
CLEAR, AIR_C = np.ones(DAY), np.full(DAY, 20.0)


def _centre(power):
    """Minute of the day on which half of the energy is made, on a day that begins at local midnight."""
    local = np.roll(power, -(SOLAR_NOON_MIN - 720))
    return float(np.searchsorted(np.cumsum(local), local.sum() / 2))


def test_a_clear_day_is_dark_at_night_and_peaks_at_noon():
    power = production(SOUTH, START, CLEAR, air_c=AIR_C)

    midnight = (SOLAR_NOON_MIN + 720) % DAY
    assert np.all(power[midnight - 180 : midnight + 180] == 0)
    assert abs(_centre(power) - 720) < 20
    assert 30 < power.sum() / 60e3 < 48  # 6 kW: 5 to 8 full hours in June


def test_an_east_roof_makes_its_power_before_a_west_one():
    east, west = (production(replace(SOUTH, azimuth=side), START, CLEAR, air_c=AIR_C) for side in (90, 270))

    assert _centre(east) < 720 - 30
    assert _centre(west) > 720 + 30


def test_the_inverter_clips_at_its_rating():
    power = production(replace(SOUTH, dc_kw=9.0, ac_kw=5.0), START, CLEAR, air_c=AIR_C)

    assert np.isclose(power.max(), 5000.0, rtol=0.01)
    assert np.sum(power > 4990) > 120


def test_cloud_takes_most_of_the_light_and_heat_a_little():
    clear, overcast = (production(SOUTH, START, CLEAR * index, air_c=AIR_C).sum() for index in (1.0, 0.3))
    hot = production(SOUTH, START, CLEAR, air_c=AIR_C + 20).sum()

    assert 0.1 < overcast / clear < 0.5
    assert 0.88 < hot / clear < 0.97


def test_neighbours_share_their_clouds_and_areas_do_not():
    here, there = (weather(UnlikeSpec(days=5, seed=1), number, PRAIRIE) for number in (0, 1))
    one, two = (seen_from_home(here, np.random.default_rng(seed)) for seed in (1, 2))
    far = seen_from_home(there, np.random.default_rng(3))

    def hours(index):
        return index.reshape(-1, 60).mean(axis=1)

    assert here.index.shape == (5 * DAY + 2 * MARGIN_MIN,)
    assert np.corrcoef(hours(one), hours(two))[0, 1] > 0.7
    assert abs(np.corrcoef(hours(one), hours(far))[0, 1]) < 0.6
    assert not np.array_equal(one, two)


def test_clouds_ramp_within_minutes():
    sky = weather(UnlikeSpec(days=20, seed=2), 0, PRAIRIE)

    assert sky.index.min() < 0.5 < 0.95 < sky.index.max() < 1.3
    ramps = np.abs(sky.index[5:] - sky.index[:-5]) > 0.3
    assert ramps.sum() > 20

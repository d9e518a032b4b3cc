"""Loggers: accuracy within class, resolution, each bad habit; monitors whose production is off or late, and scans."""

from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.faults.cts import Wiring
from pipeline.faults.reading import Reading
from pipeline.simulate.families.logger import (
    PHASE_MOST_MIN,
    RATIO_MOST,
    LoggerNoise,
    Monitor,
    add_noise,
    lose_some,
    misbehave,
    sign_glitches,
    within_class,
)

START = datetime(2026, 6, 1)
COUNT = 5 * 96
RAMP = np.arange(120, dtype=np.float64)
READING = Reading(np.array([RAMP + 2j, RAMP + 0j]), RAMP)
NOISE = LoggerNoise.draw(np.random.default_rng(0), is_rough=True)


def _rows():
    starts = [START + timedelta(minutes=15 * at) for at in range(COUNT)]
    values = np.arange(COUNT, dtype=float) + 500
    return pl.DataFrame(
        {"interval_start": starts, "l1_w": values, "l2_w": values + 1, "l1_v": values * 0 + 120}
    )


def test_each_clamp_is_within_its_class_and_has_its_own_error():
    gains = []
    for seed in range(200):
        wiring = within_class(Wiring.sound(cts_per_leg=2), np.random.default_rng(seed))
        gains += [ct.gain for ct in (*sum(wiring.channels, ()), *wiring.production)]

    assert np.abs(np.abs(gains) - 1).max() <= RATIO_MOST + 1e-9
    assert np.abs(np.angle(gains, deg=True)).max() <= PHASE_MOST_MIN / 60 + 1e-9
    assert np.unique(gains).size == len(gains)
    assert np.std(np.abs(gains)) > 0.003


def test_readings_come_in_the_loggers_resolution_and_zero_stays_zero():
    columns = {"l1_w": np.full(500, 812.37), "pv_w": np.zeros(500), "l1_v": np.full(500, 121.234)}

    out = add_noise(
        columns, LoggerNoise(noise_w=2.0, resolution_w=5.0, resolution_v=1.0), np.random.default_rng(0)
    )

    assert np.all(out["l1_w"] % 5 == 0)
    assert 1 < out["l1_w"].std() < 12
    assert np.all(out["pv_w"] == 0)
    assert set(out["l1_v"]) <= {120.0, 121.0, 122.0}


@pytest.mark.parametrize("word", ["clock_offset", "local_time"])
def test_a_clock_that_is_off_moves_every_value_by_whole_hours(word):
    moved = misbehave(_rows(), word, minutes=15, offset_min=-420, rng=np.random.default_rng(4))

    shift = moved.join(_rows(), on="l1_w", suffix="_true").select(
        (pl.col("interval_start") - pl.col("interval_start_true")).dt.total_minutes()
    )
    minutes = shift.to_series().unique().to_list()
    assert len(minutes) == 1
    assert minutes[0] % 60 == 0
    assert minutes[0] != 0
    assert word != "local_time" or minutes == [-420]
    assert moved["interval_start"].is_between(START, START + timedelta(days=5), closed="left").all()


def test_daylight_saving_steps_by_an_hour_once():
    for seed in range(6):
        moved = misbehave(_rows(), "dst", minutes=15, offset_min=-420, rng=np.random.default_rng(seed))
        steps = moved["l1_w"].diff().drop_nulls()
        assert moved["interval_start"].is_unique().all()
        assert moved["interval_start"].is_sorted()
        late = (moved["interval_start"][-1] - START).total_seconds() / 900 + 500 - moved["l1_w"][-1]
        assert abs(late) == 4
        assert (steps != 1).sum() <= 1


def test_gaps_lose_rows_and_any_logger_loses_a_few():
    rng = np.random.default_rng(1)

    assert 0.3 * COUNT < misbehave(_rows(), "gaps", minutes=15, offset_min=0, rng=rng).height < 0.95 * COUNT
    assert 0.9 * COUNT < lose_some(_rows(), rng).height <= COUNT
    assert misbehave(_rows(), "", minutes=15, offset_min=0, rng=rng).equals(_rows())


def test_stale_values_repeat_the_last_good_row():
    stale = misbehave(_rows(), "stale_values", minutes=15, offset_min=0, rng=np.random.default_rng(2))

    repeats = stale["l1_w"].diff() == 0
    assert 0.02 < repeats.mean() < 0.6
    assert (stale["l2_w"] - stale["l1_w"] == 1).all()
    assert stale["interval_start"].is_unique().all()


def test_dropouts_are_exactly_zero_on_all_channels_at_once():
    rows = misbehave(_rows(), "zero_dropouts", minutes=15, offset_min=0, rng=np.random.default_rng(3))

    zero = rows["l1_w"] == 0
    assert 0.003 < zero.mean() < 0.3
    assert (zero == (rows["l2_w"] == 0)).all()
    assert (rows["l1_v"] == 120).all()


def test_sign_glitches_last_minutes():
    steady = np.full(10 * 1440, 500.0 + 0j)
    reading = sign_glitches(
        Reading(np.array([steady, steady]), np.zeros(steady.size)), np.random.default_rng(0)
    )

    turned = reading.l1_w < 0
    assert 10 < turned.sum() < 300
    assert np.array_equal(turned, reading.l2_w < 0)


def test_drawn_monitors_are_within_their_ranges():
    drawn = [Monitor.draw(np.random.default_rng(seed), 15, is_rough=True) for seed in range(400)]

    assert max(abs(one.gain - 1) for one in drawn) <= 0.04
    assert 0.1 < np.mean([one.late > 0 for one in drawn]) < 0.2
    assert {one.scan_min for one in drawn} == {1, 2, 3, 5}
    assert max(one.noise.resolution_w for one in drawn) == 10.0
    assert max(one.noise.resolution_v for one in drawn) == 1.0


def test_production_is_late_and_off_and_the_legs_are_not():
    seen = Monitor(NOISE, gain=1.02, late=0.5).averaged(READING, 10)

    assert seen.produced_w[3:] == pytest.approx(1.02 * (np.arange(3, 12) * 10 + 4.5 - 5))
    assert seen.l1_w == pytest.approx(np.arange(12) * 10 + 4.5)


def test_looking_now_and_then_sees_each_channel_at_its_own_moments():
    seen = Monitor(NOISE, scan_starts_min=(0, 4, 2), scan_min=5).averaged(READING, 15)

    assert seen.l1_w[0] == pytest.approx(5.0)
    assert seen.l2_w[0] == pytest.approx(9.0)
    assert seen.pv_w[0] == pytest.approx(7.0)
    assert seen.va.shape == (2, 8)

"""How a leg goes with the other one: right homes stand for a leg that was not seen, with an honest interval."""

from __future__ import annotations

from datetime import datetime

import numpy as np
import polars as pl
import pytest
from leg_fleet import fitted, fleet, loads

from pipeline.correction.other_leg import expected_leg, fit_home_pairs, fit_pairs, right_loads
from pipeline.correction.raw_readings import with_raw


def test_a_busy_leg_makes_a_busy_leg_likely() -> None:
    pairs = fitted()
    assert pairs.mean[0, -1] > pairs.mean[0, 0] + 1000
    assert (pairs.low <= pairs.mean).all()
    assert (pairs.mean <= pairs.high).all()


def test_how_far_homes_lie_apart_is_what_they_were_made_with() -> None:
    assert 0.2 < fitted().between_share < 0.4


def test_the_interval_holds_95_per_cent_of_rows_of_homes_it_has_not_seen() -> None:
    pairs, other = fitted(60), fleet(60, seed=2)
    told = pl.DataFrame(expected_leg(with_raw(other), pairs, "l1"))
    is_in = (other["l1_w"] >= told["low"]) & (other["l1_w"] <= told["high"])
    assert float(is_in.mean()) == pytest.approx(0.95, abs=0.02)  # type: ignore[arg-type]


def test_the_common_error_holds_the_homes_sums() -> None:
    pairs, other = fitted(60), fleet(60, seed=3)
    told = pl.DataFrame(expected_leg(with_raw(other), pairs, "l1")).with_columns(
        site_id=other["site_id"], truth=other["l1_w"]
    )
    sums = told.group_by("site_id").agg(pl.col("value", "common", "truth").sum())
    off = (sums["value"] - sums["truth"]).abs() / sums["common"]
    assert 0.84 <= float((off <= 1.96).mean()) <= 1.0  # type: ignore[arg-type]


def test_a_homes_own_past_is_nearer_than_other_homes() -> None:
    rng = np.random.default_rng(4)
    home = right_loads(loads(1, 1.6, rng))
    own = fit_home_pairs(home, "l1", 0.02)
    assert own is not None
    assert own.between_share < fitted().between_share / 2
    told = expected_leg(with_raw(loads(2, 1.6, rng)), own, "l1")["value"]
    assert float(told.mean()) == pytest.approx(1.6 * 800, rel=0.1)  # type: ignore[arg-type]


def test_too_few_homes_or_days_say_nothing() -> None:
    assert fit_pairs(right_loads(fleet(7))) is None
    rng = np.random.default_rng(5)
    short = right_loads(loads(1, 1.0, rng)).filter(pl.col("interval_start") < datetime(2026, 6, 8))
    assert fit_home_pairs(short, "l1", 0.02) is None


def test_the_solar_power_that_a_leg_sees_is_taken_off_its_load() -> None:
    pairs = fitted()
    dark = with_raw(loads(1, 1.0, np.random.default_rng(6)))
    sunny = with_raw(
        loads(1, 1.0, np.random.default_rng(6)).with_columns(
            pl.col("l1_w", "l2_w") - 1500.0, pv_w=pl.lit(3000.0)
        )
    )
    by_night, by_day = (expected_leg(rows, pairs, "l1")["value"] for rows in (dark, sunny))
    np.testing.assert_allclose(by_day, by_night - 1500.0)


def test_a_battery_of_unknown_power_leaves_the_load_unknown() -> None:
    rows = with_raw(loads(1, 1.0, np.random.default_rng(7)).with_columns(has_battery=pl.lit(True)))
    assert expected_leg(rows, fitted(), "l1")["value"].null_count() == rows.height

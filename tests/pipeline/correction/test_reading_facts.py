"""Interval, steps and noise of a home's readings are found from its rows."""

from __future__ import annotations

from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest

from pipeline.correction.reading_facts import ReadingFacts, read_facts


def home(minutes: int, step_w: float, noise_w: float, step_v: float = 1.0) -> pl.DataFrame:
    """Loads that run for hours at one power, so that in between only noise moves."""
    rng = np.random.default_rng(1)
    size = 2000
    load = np.repeat(rng.uniform(200, 900, size // 20), 20)
    legs = {
        f"{leg}_w": np.round((load + noise_w * rng.standard_normal(size)) / step_w) * step_w
        for leg in ("l1", "l2")
    }
    volts = {f"{leg}_v": np.round(rng.uniform(118, 123, size) / step_v) * step_v for leg in ("l1", "l2")}
    starts = [datetime(2026, 6, 1) + timedelta(minutes=minutes * place) for place in range(size)]
    return pl.DataFrame({"site_id": "H1", "interval_start": starts, **legs, **volts, "pv_w": np.zeros(size)})


@pytest.mark.parametrize(("minutes", "step_w", "step_v"), [(5, 1.0, 0.1), (15, 10.0, 1.0), (60, 0.1, 0.5)])
def test_interval_and_steps(minutes: int, step_w: float, step_v: float) -> None:
    facts = read_facts(home(minutes, step_w, 3.0, step_v))["H1"]
    assert (facts.minutes, facts.step_w, facts.step_v) == (minutes, step_w, step_v)


@pytest.mark.parametrize("noise_w", [2.0, 5.0, 10.0])
def test_noise_is_what_moves_when_no_load_does(noise_w: float) -> None:
    assert read_facts(home(15, 0.1, noise_w))["H1"].noise_w == pytest.approx(noise_w, rel=0.5)


def test_rounding_and_noise_add_in_squares() -> None:
    assert ReadingFacts(step_w=12.0, noise_w=2.0).error_w == pytest.approx((4 + 12) ** 0.5)
    assert ReadingFacts().error_w == 0.0


def test_a_leg_that_reads_nothing_says_nothing_of_noise() -> None:
    rows = home(15, 0.1, 5.0).with_columns(l1_w=pl.lit(0.0))
    assert read_facts(rows)["H1"].noise_w == pytest.approx(5.0, rel=0.5)
    assert read_facts(rows.with_columns(l2_w=pl.lit(None, pl.Float64)))["H1"].noise_w == 0.0

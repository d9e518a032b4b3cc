"""The slope on production stays right where the production reading is noisy or coarse; least squares doesn't.

York's line, which is told the noise of both readings, is the standard to hold it against.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from kernel_days import DENVER, day_of, register
from lakes import DAY
from regression import ols, york

DAYS, MINUTES = 16, 5
TRUE_SLOPE = -1.0  # of both legs of a right CT upstream


def broken_clouds(rng: np.random.Generator, size: int) -> np.ndarray:
    """Clear-sky index from 0.25 to 1 that remembers itself for about 20 minutes."""
    drive, state, keep = rng.normal(size=size), 0.0, np.exp(-MINUTES / 20)
    out = np.empty(size)
    for at in range(size):
        state = keep * state + np.sqrt(1 - keep**2) * drive[at]
        out[at] = 1 - 0.75 / (1 + np.exp(-2 * state))
    return out


def home(name: str, seed: int, noise_w: float, step_w: float) -> tuple[pl.DataFrame, np.ndarray, np.ndarray]:
    """One UTC day of a right home: its rows, the reported steps of production, and those of the legs' sum."""
    rng = np.random.default_rng(seed)
    size = 1440 // MINUTES
    hour = np.arange(size) * MINUTES / 60
    sun = np.clip(
        np.sin((hour - 13) / 12 * np.pi), 0, None
    )  # Denver's sun in UTC, as far as a UTC day shows it
    truth = 6000 * sun * broken_clouds(rng, size)
    load = 200 + 30 * rng.normal(size=size)
    for _ in range(8):  # appliances
        on = int(rng.integers(size))
        load[on : on + int(rng.integers(1, 12))] += float(rng.choice([300, 1500, 4000]))
    reported = np.where(truth > 0, truth + noise_w * rng.normal(size=size), 0.0)
    reported = np.round(reported / step_w) * step_w
    net = load - truth
    start = datetime.combine(DAY, datetime.min.time())
    rows = pl.DataFrame(
        {
            "site_id": name,
            "interval_start": [start + timedelta(minutes=MINUTES * at) for at in range(size)],
            "l1_w": net / 2,
            "l2_w": net / 2,
            "pv_w": reported,
        }
    )
    return rows, np.diff(reported), np.diff(net)


@pytest.mark.parametrize(("noise_w", "step_w"), [(0.0, 1.0), (150.0, 1.0), (0.0, 300.0)])
def test_noise_and_coarse_steps_dont_flatten_the_slope(tmp_path: Path, noise_w: float, step_w: float) -> None:
    made = [home(f"h{at:02d}", at, noise_w, step_w) for at in range(DAYS)]
    sites = register(*(DENVER | {"site_id": f"h{at:02d}"} for at in range(DAYS)))

    days, _ = day_of(pl.concat(rows for rows, _, _ in made), sites, tmp_path, DAY)

    assert days["s_sum"].median() == pytest.approx(TRUE_SLOPE, abs=0.05)


def test_least_squares_flattens_what_york_and_the_instrument_keep(tmp_path: Path) -> None:
    noise_w = 150.0
    made = [home(f"h{at:02d}", at, noise_w, 1.0) for at in range(DAYS)]
    sites = register(*(DENVER | {"site_id": f"h{at:02d}"} for at in range(DAYS)))
    days, _ = day_of(pl.concat(rows for rows, _, _ in made), sites, tmp_path, DAY)

    plain, errors_in_both = [], []
    for _, pv_steps, net_steps in made:
        calm = (
            np.abs(net_steps + pv_steps) < 800
        )  # York has no defence against appliances: take them away for it
        x, y = pv_steps[calm], net_steps[calm]
        lit = x != 0
        x, y = x[lit], y[lit]
        plain.append(ols(x, y).slope)
        load_variance = 2 * 30.0**2
        errors_in_both.append(
            york(x, y, np.full(x.size, 1 / (2 * noise_w**2)), np.full(x.size, 1 / load_variance)).slope
        )

    assert np.median(plain) > 0.93 * TRUE_SLOPE  # flattened
    assert days["s_sum"].median() == pytest.approx(np.median(errors_in_both), abs=0.06)

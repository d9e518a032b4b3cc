"""The pipeline's own sums against published ones: lines through Pearson's points, the change in Pettitt's series."""

from __future__ import annotations

from datetime import date, timedelta

import duckdb
import numpy as np
import polars as pl
import pytest
from day_oracle import select
from numpy.typing import NDArray
from scipy import stats

from pipeline.core import sql_runner
from pipeline.core.settings import load_settings
from pipeline.features.change_detection import find_changes

Float = NDArray[np.float64]

# Pearson 1901 (data from memory; the published results reproduce, see test_regression.py for York's)
X = np.array([0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])

# Pettitt, Appl. Statist. 28:126, 1979, table 1 (Page's series), as the manual of R's package wq gives it
PAGE = np.array([
    -1.05, 0.96, 1.22, 0.58, -0.98, -0.03, -1.54, -0.71, -0.35, 0.66, 0.44, 0.91, -0.02, -1.42, 1.26, -1.02,
    -0.81, 1.66, 1.05, 0.97, 2.14, 1.22, -0.24, 1.60, 0.72, -0.12, 0.44, 0.03, 0.66, 0.56, 1.37, 1.66, 0.10,
    0.80, 1.29, 0.49, -0.07, 1.18, 3.29, 1.84,
])  # fmt: skip


def pettitt(series: Float) -> tuple[int, float, int]:
    """Return K = max |sum over i up to t, j after t of sign(x_i - x_j)|, p = 2 exp(-6 K^2 / (n^3 + n^2)), and t."""
    n = series.size
    signs = np.sign(series[:, None] - series[None, :])
    sums = np.array([signs[:t, t:].sum() for t in range(1, n)])
    after = int(np.abs(sums).argmax()) + 1
    k = int(np.abs(sums).max())
    return k, float(2 * np.exp(-6 * k**2 / (n**3 + n**2))), after


def changed_after(series: Float, se: float, min_z: float | None = None) -> int | None:
    """How many days of a home lie before the change that the night finds in its daily slope on leg 1."""
    first, n = date(2025, 6, 1), series.size
    quiet = np.zeros(n)
    daily = pl.DataFrame(
        {
            "site_id": ["a"] * n,
            "day": [first + timedelta(days=at) for at in range(n)],
            "slope_l1": series, "slope_l1_se": quiet + se, "slope_l2": quiet - 0.5, "slope_l2_se": quiet + se,
            **{f"{name}_l{leg}{rest}": quiet for leg in (1, 2) for name, rest in (
                ("night", "_negative_share"), ("tiny", "_share"), ("zero", "_share"), ("night", "_w"))},
        }
    )  # fmt: skip
    settings = load_settings()
    if min_z is not None:
        settings = settings.model_copy(update={"onset": settings.onset.model_copy(update={"min_z": min_z})})
    found = find_changes(daily, first, first + timedelta(days=n - 1), settings)
    return (found["changed_on"][0] - first).days if found.height else None


def test_pettitts_own_series() -> None:
    k, p, after = pettitt(PAGE)

    assert (k, after) == (232, 17)
    assert p == pytest.approx(0.0146, abs=5e-5)


def test_the_night_finds_pettitts_change_on_the_same_day() -> None:
    """At three standard errors; p = 0.0146 would name one sound home in seventy, so the night asks for more."""
    assert changed_after(PAGE, se=0.1, min_z=3.0) == 17
    assert changed_after(PAGE, se=0.1) is None


def test_on_clear_steps_the_night_agrees_with_pettitt_and_on_none_both_are_silent() -> None:
    rng = np.random.default_rng(12)
    for at in (12, 14, 17):
        turned = np.where(np.arange(28) < at, -0.5, 0.5) + rng.normal(0, 0.03, 28)
        assert changed_after(turned, se=0.03) == at
        assert abs(pettitt(turned)[2] - at) <= 2  # ranks, not sizes: noise moves it by a day or two
        assert pettitt(turned)[1] < 0.05
    steady = -0.5 + rng.normal(0, 0.03, 28)
    assert changed_after(steady, se=0.03) is None
    assert pettitt(steady)[1] > 0.05


@pytest.fixture
def con() -> duckdb.DuckDBPyConnection:
    held = duckdb.connect()
    held.execute(sql_runner.sql_text("macros"))
    return held


def test_the_nights_orthogonal_slope_of_pearsons_points(con: duckdb.DuckDBPyConnection) -> None:
    """The gain of one leg over the other, from sums of squares and products about the means."""
    x, y = X - X.mean(), Y - Y.mean()

    found = con.sql("FROM (VALUES (orthogonal_slope(?, ?, ?)))", params=[x @ x, y @ y, x @ y]).fetchall()

    assert found == [(pytest.approx(-0.545561, abs=1e-6),)]


def test_the_nights_slope_of_all_pairs_of_pearsons_points_is_theil_sens(
    con: duckdb.DuckDBPyConnection,
) -> None:
    """Each pair as a ramp of weight 1: its weighted median is the median of the pairs' slopes."""
    one, other = np.triu_indices(X.size, k=1)
    ratio = (Y[other] - Y[one]) / (X[other] - X[one])
    ramps = pl.DataFrame({"site_key": 0, "series": "l1", "ratio": ratio, "weight": np.ones(ratio.size)})
    con.register("ramp", ramps.to_arrow())

    row = select(con, "site_day_ramp", {}).pl().row(0, named=True)

    assert row["slope"] == pytest.approx(-0.535714, abs=1e-6)
    assert row["slope"] == pytest.approx(stats.theilslopes(Y, X).slope, abs=1e-12)
    assert row["n_ramp"] == 45

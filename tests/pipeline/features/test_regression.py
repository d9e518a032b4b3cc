"""Each line against published values, and against what it is for: noise in x, and appliance steps."""

from __future__ import annotations

import duckdb
import numpy as np
import polars as pl
import pytest
from day_oracle import select
from regression import ols, weighted_median_slope, york
from scipy import optimize, stats

from pipeline.core import sql_runner

# Pearson 1901 with the weights of York, Can. J. Phys. 44:1079, 1966 (data from memory; the results reproduce)
X = np.array([0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
WX = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1])
WY = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500.0])


def test_ols_on_pearsons_data() -> None:
    line = ols(X, Y)

    assert (line.slope, line.intercept) == pytest.approx((-0.539577, 5.761185), abs=1e-6)
    # the textbook formula: s / sqrt(sum (x - mean)^2)
    left_over = Y - line.intercept - line.slope * X
    assert line.slope_se == pytest.approx(np.sqrt(np.sum(left_over**2) / 8 / np.sum((X - X.mean()) ** 2)))


def test_york_with_equal_weights_is_the_orthogonal_line() -> None:
    line = york(X, Y, np.ones(10), np.ones(10))

    assert (line.slope, line.intercept) == pytest.approx((-0.545561, 5.784044), abs=1e-6)


def test_york_on_pearsons_data() -> None:
    line = york(X, Y, WX, WY)

    assert (line.slope, line.intercept) == pytest.approx((-0.480533, 5.479910), abs=1e-6)
    # York et al., Am. J. Phys. 72:367, 2004: 0.058 and 0.295 (memory)
    assert (line.slope_se, line.intercept_se) == pytest.approx((0.058, 0.295), abs=5e-4)


def test_york_is_ols_when_x_has_no_error() -> None:
    line = york(X, Y, np.full(10, 1e12), np.ones(10))

    assert line.slope == pytest.approx(ols(X, Y).slope, abs=1e-8)


def test_the_weighted_median_of_all_pairs_slopes_is_theil_sens() -> None:
    # 45 pairs have one middle: where there are two, theirs is the mean and ours the lower
    one, other = np.triu_indices(10, k=1)
    slopes = (Y[other] - Y[one]) / (X[other] - X[one])

    assert weighted_median_slope(np.ones(45), slopes)[0] == pytest.approx(-0.535714, abs=1e-6)


def test_noise_in_production_flattens_ols_and_not_york() -> None:
    """A right leg: -0.5 W per W. OLS is low by var(S) / (var(S) + var(noise)) = 1/2; York is not."""
    rng = np.random.default_rng(7)
    production, load = rng.normal(0, 400, 4000), rng.normal(0, 150, 4000)
    leg, read = load - 0.5 * production, production + rng.normal(0, 400, 4000)

    flat = ols(read, leg)
    line = york(read, leg, np.full(4000, 1 / 400**2), np.full(4000, 1 / 150**2))

    assert flat.slope == pytest.approx(-0.25, abs=0.02)
    assert line.slope == pytest.approx(-0.5, abs=3 * line.slope_se)
    assert line.slope_se < 0.02


@pytest.mark.parametrize("noise_in_x", [0.0, 0.5])
def test_standard_errors_are_the_scatter_of_repeated_fits(noise_in_x: float) -> None:
    rng = np.random.default_rng(3)
    true = np.linspace(-3, 3, 40)
    lines = []
    for _ in range(400):
        x, y = true + rng.normal(0, noise_in_x, 40), -0.5 * true + rng.normal(0, 0.5, 40)
        quarter = np.full(40, 4.0)
        lines.append(york(x, y, quarter, quarter) if noise_in_x else ols(x, y))

    for name in ("slope", "intercept"):
        scatter = np.std([getattr(line, name) for line in lines])
        assert np.mean([getattr(line, f"{name}_se") for line in lines]) == pytest.approx(scatter, rel=0.15)


def test_weighted_median_slope_has_the_least_absolute_deviations() -> None:
    rng = np.random.default_rng(1)
    x = rng.normal(0, 300, 101)
    y = -0.5 * x + rng.laplace(0, 60, 101)

    slope, _ = weighted_median_slope(x, y)

    best = optimize.minimize_scalar(lambda b: np.abs(y - b * x).sum(), bounds=(-2, 1), method="bounded")
    assert slope == pytest.approx(best.x, abs=1e-3)


def test_appliances_do_not_move_the_weighted_median_slope() -> None:
    rng = np.random.default_rng(2)
    ramp = rng.choice([-1, 1], 200) * rng.uniform(300, 1500, 200)
    quiet = -0.5 * ramp + rng.normal(0, 20, 200)
    busy = quiet.copy()
    busy[:20] += 4000  # a dryer starts during one ramp in ten

    slope, se = weighted_median_slope(ramp, busy)

    assert slope == pytest.approx(weighted_median_slope(ramp, quiet)[0], abs=0.01)
    assert abs(ols(ramp, busy).slope + 0.5) > 3 * abs(slope + 0.5)
    assert 0 < se < 0.01


def test_its_error_is_that_of_a_sign_test() -> None:
    """Equal weights, normal ratios: se of a median = sqrt(pi/2) sd / sqrt(n)."""
    rng = np.random.default_rng(5)
    found = [weighted_median_slope(np.ones(300), rng.normal(0, 1, 300)) for _ in range(300)]
    slopes, errors = np.array(found).T

    assert np.mean(errors) == pytest.approx(np.sqrt(np.pi / 2 / 300), rel=0.08)
    assert stats.norm.ppf(0.9) * np.mean(errors) == pytest.approx(np.quantile(slopes, 0.9), rel=0.25)


def test_the_oracle_finds_the_same_slopes() -> None:
    rng = np.random.default_rng(6)
    frame = pl.DataFrame({"site_key": rng.integers(0, 5, 400), "weight": rng.uniform(200, 2000, 400)})
    frame = frame.with_columns(
        series=pl.lit("l1"), ratio=-0.5 + pl.Series(rng.standard_t(2, 400)) * 100 / pl.col("weight")
    )
    con = duckdb.connect()
    con.execute(sql_runner.sql_text("macros"))
    con.register("ramp", frame.to_arrow())

    for row in select(con, "site_day_ramp", {}).pl().iter_rows(named=True):
        ramps = frame.filter(site_key=row["site_key"])
        x = ramps["weight"].to_numpy()
        slope, se = weighted_median_slope(x, x * ramps["ratio"].to_numpy())
        assert (row["slope"], row["slope_se"]) == pytest.approx((slope, se), abs=1e-12)


def test_equal_weights_by_hand() -> None:
    # nine ratios of weight 1: the median is the 5th; h = sqrt(9) / 18 = 1/6, so 3.0 and 6.0 of 9: 3rd and 6th
    slope, se = weighted_median_slope(np.ones(9), np.array([9.0, 1, 8, 2, 7, 3, 6, 4, 5]))

    assert (slope, se) == (5.0, 1.5)


def test_one_step_has_no_scatter_to_judge() -> None:
    assert weighted_median_slope(np.array([-2.0]), np.array([1.0])) == (-0.5, 0.0)


def test_points_without_a_line_are_refused() -> None:
    with pytest.raises(ValueError, match="all x are equal"):
        ols(np.ones(5), np.arange(5.0))
    with pytest.raises(ValueError, match="at least 3"):
        ols(np.arange(2.0), np.arange(2.0))


def test_wrong_input_is_refused() -> None:
    with pytest.raises(ValueError, match="positive"):
        york(X, Y, np.zeros(10), WY)
    with pytest.raises(ValueError, match="no x of zero"):
        weighted_median_slope(np.array([0.0, 1]), np.array([1.0, 1]))

"""Slopes of the days merged: a bad day can't carry the month, and the error says how the days scatter."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from day_files import home_days, many_days, put_days

from pipeline.core.setting_sections import FeatureSettings
from pipeline.core.settings import load_settings
from pipeline.features.aggregates import HomeDays
from pipeline.features.aggregates.slope import SERIES, SLOPES, merged_slopes, sum_of_days


def own(**changed: Any) -> FeatureSettings:
    """Settings under which a day's error is what it says, unless changed."""
    plain = {"min_ramps": 4, "few_ramps": 0, "slope_day_sd": 0}
    return load_settings().feature.model_copy(update={**plain, **changed})


def slopes(
    folder: Path, settings: FeatureSettings, *days: dict[str, Any], last: int = 30
) -> dict[str, float]:
    """Merge the days of June up to `last` of home a."""
    held = home_days(folder, *({"site_id": "a", "day": at, **day} for at, day in enumerate(days, 1)))
    in_span = held.is_there & (np.arange(len(held.days)) < last)[:, None]
    found = merged_slopes(held.columns(SLOPES), in_span, settings)
    return {name: float(values[0]) for name, values in found.items()}


def test_a_bad_day_cannot_carry_the_month(tmp_path: Path) -> None:
    """One day of three says +2.5, 30 errors off the median day: its weight is 100 / (1 + 15^2) = 0.442478 against 100,
    so the slope stays at (-50 - 50 + 1.106195) / 200.442478. The error is the scatter, not the promise 1 / sqrt(300).
    A slope that is no number is no day.
    """
    day = {"s_n": 10, "s_sum_se": 0.1}
    told = slopes(
        tmp_path, own(), {**day, "s_sum": -0.5}, {**day, "s_sum": -0.5},
        {**day, "s_sum": 2.5, "s_l2": float("nan"), "s_l2_se": 0.1},
    )  # fmt: skip

    assert (told["slope_sum"], told["slope_sum_se"]) == pytest.approx((-0.4933775, 0.0577350), abs=1e-6)
    assert told["slope_days"] == 3
    assert np.isnan([told["slope_l1"], told["slope_l2"], told["slope_l2_se"]]).all()


def test_two_days_that_agree_to_their_errors(tmp_path: Path) -> None:
    """Slopes -0.4 and -0.6, each off the middle by its own error of 0.1: weights 1 / (0.01 x 1.25) = 80 each. The days
    promise 1 / sqrt(200) = 0.0707, and they scatter by sqrt(2 x 8^2) / 160 = 0.0707. Neither a day with too few ramps
    nor one outside the span counts.
    """
    day = {"s_n": 10, "s_l1_se": 0.1}
    told = slopes(
        tmp_path, own(), {**day, "s_l1": -0.4}, {**day, "s_l1": -0.6}, {**day, "s_l1": 9, "s_n": 3},
        {**day, "s_l1": 9}, last=3,
    )  # fmt: skip

    assert (told["slope_l1"], told["slope_l1_se"]) == pytest.approx((-0.5, 0.0707107), abs=1e-6)
    assert told["slope_days"] == 2  # of leg 1, where both together have none


def test_few_ramps_and_daily_scatter_widen_a_day(tmp_path: Path) -> None:
    """An error of 0.03 with 4 ramps grows by 1 + 4/4 to 0.06, and with a daily scatter of 0.08 to 0.1."""
    told = slopes(
        tmp_path, own(few_ramps=4, slope_day_sd=0.08),
        {"s_n": 4, "s_l2": -0.25, "s_l2_se": 0.03, "s_l2_var": 0.1, "s_l2_var_se": 0.03},
    )  # fmt: skip

    assert (told["slope_l2"], told["slope_l2_se"]) == pytest.approx((-0.25, 0.1))
    assert (told["var_l2"], told["var_l2_se"]) == pytest.approx((0.1, 0.1))


def test_before_and_after_noon_are_series_of_their_own(tmp_path: Path) -> None:
    """A CT that reads low in the morning only (a conductor of one of two arrays outside it) shows in am."""
    told = slopes(tmp_path, own(), {"s_n": 8, "s_am": -0.5, "s_am_se": 0.1, "s_pm": -1, "s_pm_se": 0.1})

    assert (told["slope_am"], told["slope_am_se"]) == pytest.approx((-0.5, 0.1))
    assert (told["slope_pm"], told["slope_pm_se"]) == pytest.approx((-1, 0.1))


def test_scatter_is_what_the_days_own_errors_do_not_explain(tmp_path: Path) -> None:
    """Days 0.3 off the middle with errors of 0.1: 1.4826 x 0.3, less the 0.1, as squares."""
    days = [{"s_n": 9, "s_sum": -0.5 + off, "s_sum_se": 0.1} for off in (-0.3, -0.3, 0, 0.3, 0.3)]

    assert slopes(tmp_path, own(), *days)["slope_scatter"] == pytest.approx((0.44478**2 - 0.01) ** 0.5)
    assert slopes(tmp_path, own(), *[{**day, "s_sum": -0.5} for day in days])["slope_scatter"] == 0


def test_many_homes_at_once_are_each_what_a_plain_loop_makes_of_it(tmp_path: Path) -> None:
    settings = load_settings().feature
    days = HomeDays.of(put_days(tmp_path, many_days(8, 12, np.random.default_rng(6))))
    read = days.columns(SLOPES)
    found = merged_slopes(read, days.is_there, settings)

    for series, name in SERIES.items():
        for home in range(len(days.homes)):
            ramps, slope, error = (
                read[column][:, home] for column in ("s_n", f"s_{series}", f"s_{series}_se")
            )
            usable = (ramps >= settings.min_ramps) & np.isfinite(slope) & np.isfinite(error)
            if not usable.any():
                assert np.isnan(found[name][home])
                continue
            slope = slope[usable]
            error = np.hypot(error[usable] * (1 + settings.few_ramps / ramps[usable]), settings.slope_day_sd)
            weight = 1 / (error**2 * (1 + ((slope - np.median(slope)) / (2 * error)) ** 2))
            best = np.average(slope, weights=weight)
            scatter = np.linalg.norm(weight * (slope - best)) / weight.sum()
            assert found[name][home] == pytest.approx(best, rel=1e-12)
            assert found[f"{name}_se"][home] == pytest.approx(
                max((1 / error**2).sum() ** -0.5, scatter), rel=1e-12
            )


def test_a_sum_goes_from_day_to_day() -> None:
    """1e16 swallows the 1 that comes after it, not the one before: the order tells, also where there is one home."""
    grid = np.array([[1.0], [1e16], [1.0], [-1e16]] * 4)

    assert sum_of_days(grid).tolist() == [np.add.accumulate(grid[:, 0])[-1]]

"""The daily numbers: shares of the day's own counts, slopes as sure as their ramps, one row a home and day."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest
from day_files import SETTINGS, day_rows, home_days, june, many_days, put_days

from pipeline.features.aggregates import HomeDays, daily_numbers

FEW = 1 + SETTINGS.feature.few_ramps / 8


def test_a_day_in_shares(tmp_path: Path) -> None:
    """The slope's error grows where ramps are few; a day without a night has no nightly share."""
    days = home_days(
        tmp_path,
        {
            "site_id": "a", "day": 1, "s_l1": -0.5, "s_l1_se": 0.02, "s_n": 8, "l1_night_p50": 120, "n_night": 40,
            "n_neg_l1_night": 10, "n_neg_l2_night": 40, "n_l1": 96, "n_l2": 48, "n_lone_l1": 12, "n_lone_l2": 24,
            "n_tiny_l1": 48, "n_tiny_l2": 12, "covered_min": 1440,
        },
        {
            "site_id": "a", "day": 2, "n_night": 0, "n_neg_l1_night": 0, "n_l1": 10, "n_l2": 0, "n_lone_l1": 0,
            "covered_min": 720,
        },
    )  # fmt: skip

    first, second = daily_numbers(days, SETTINGS).to_dicts()

    assert first == {
        "site_id": "a", "day": june(1), "slope_l1": -0.5, "slope_l1_se": pytest.approx(0.02 * FEW), "slope_l2": None,
        "slope_l2_se": None, "night_l1_w": 120, "night_l2_w": None, "night_l1_negative_share": 0.25,
        "night_l2_negative_share": 1, "zero_l1_share": 0.125, "zero_l2_share": 0.5, "tiny_l1_share": 0.5,
        "tiny_l2_share": 0.25, "coverage_share": 1,
    }  # fmt: skip
    assert second == dict.fromkeys(first) | {
        "site_id": "a", "day": june(2), "zero_l1_share": 0, "coverage_share": 0.5,
    }  # fmt: skip


def test_more_rows_than_a_day_holds_cover_it_once(tmp_path: Path) -> None:
    (day,) = daily_numbers(
        home_days(tmp_path, {"site_id": "a", "day": 1, "covered_min": 1500}), SETTINGS
    ).to_dicts()

    assert day["coverage_share"] == 1


def test_production_that_lives_by_night_is_no_probe(tmp_path: Path) -> None:
    lit = {"s_l1": -0.5, "s_l1_se": 0.02, "s_n": 8, "n_dark": 40}
    days = home_days(
        tmp_path,
        {"site_id": "a", "day": 1, **lit, "n_dark_pv_live": 21},
        {"site_id": "a", "day": 2, **lit, "n_dark_pv_live": 20},
        {"site_id": "a", "day": 3, **lit},
    )

    assert daily_numbers(days, SETTINGS)["slope_l1"].to_list() == [None, -0.5, -0.5]


def test_rows_are_in_the_order_of_homes_and_days(tmp_path: Path) -> None:
    days = many_days(9, 5, np.random.default_rng(4))
    daily = daily_numbers(HomeDays.of(put_days(tmp_path, days)), SETTINGS)

    keys = days.sort("site_id", "day")
    assert daily.select("site_id", "day").equals(keys.select("site_id", "day"))
    assert daily["night_l1_w"].to_list() == keys["l1_night_p50"].to_list()
    assert daily.schema["zero_l1_share"] == pl.Float64


def test_nobody_has_no_numbers(tmp_path: Path) -> None:
    day_rows().write_parquet(tmp_path / "empty.parquet")
    daily = daily_numbers(HomeDays.of([tmp_path / "empty.parquet"]), SETTINGS)

    assert daily.height == 0
    assert daily.schema == daily_numbers(home_days(tmp_path, {"site_id": "a", "day": 1}), SETTINGS).schema

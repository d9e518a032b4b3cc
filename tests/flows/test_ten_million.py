"""The plan for ten million homes is the measured figures multiplied, and the measured figures are those of a night."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from flows.ten_million import ROWS_A_DAY, Figures, copied_lake, measured, plan, single_night


def test_the_plan_is_the_figures_multiplied() -> None:
    figures = Figures(
        lake_bytes_row=10.0,
        site_day_bytes=800.0,
        site_hour_bytes=200.0,
        take_rows_s=ROWS_A_DAY * 1000.0,
        look_home_days_s=10_000.0,
        score_homes_s=2_000.0,
        driver_s_home=0.0036,
        driver_bytes_home=1_000.0,
        daily_bytes_home_day=100.0,
    )

    made = plan(figures, homes=1_000_000, days=30, night_h=2.0)

    assert made.rows_day == 288_000_000
    assert made.lake_day_gb == pytest.approx(2.88)
    assert made.store_gb == pytest.approx(30.0)
    assert made.core_h == pytest.approx((1_000 + 3_000 + 500) / 3600)
    assert made.cores == pytest.approx(made.core_h / 2)
    assert made.driver_h == pytest.approx(1.0)
    assert made.driver_gb == pytest.approx(1.0 + 3.0)


def test_the_figures_are_a_nights(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NIGHTCLAMP_REPORT__HOME_PAGES", "0")
    monkeypatch.setenv("NIGHTCLAMP_RANKING__LEAST_NIGHTS", "0")
    lake = tmp_path / "lake"
    size = copied_lake(lake, homes=7, days=2, simulated=3)

    told = single_night(lake, tmp_path / "out")
    figures = measured(tmp_path / "out" / "latest", told, tmp_path / "out" / "store", lake_bytes_day=size)

    assert told["counts"]["homes"] == 7
    assert 6 * 2 * ROWS_A_DAY < told["counts"]["rows_in"] <= 7 * 2 * ROWS_A_DAY  # homes have gaps
    homes = pl.read_parquet(tmp_path / "out" / "latest" / "sites.parquet")["site_id"]
    assert homes.to_list()[:4] == ["C0000-H00000", "C0000-H00001", "C0000-H00002", "C0001-H00000"]
    taken = told["seconds"]["take in the days"]
    assert figures.take_rows_s == pytest.approx(told["counts"]["rows_in"] / taken)
    files = [path.stat().st_size for path in (lake / "intervals").rglob("*.parquet")]
    assert figures.lake_bytes_row == pytest.approx(sum(files) / told["counts"]["rows_in"], rel=0.01)
    assert min(vars(figures).values()) > 0

"""Files' times tell when days arrived, unless they were copied; and a day can be read as it was then."""

from __future__ import annotations

import os
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from lakes import DAY, build_lake, put, rows

from pipeline.core import sql_runner
from pipeline.core.settings import load_settings
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers
from pipeline.nightly.arrival_times import arrival_times, covered_at, end_of, first_lags_h, lag_h

SETTINGS = load_settings()
NOW = end_of(DAY) + timedelta(days=9)


def days(count: int) -> list[date]:
    return [DAY + timedelta(days=number) for number in range(count)]


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    root = build_lake(tmp_path / "lake")
    for day in days(6):
        put(root, "a.parquet", rows("a", day), day, arrived_h=2)
        put(root, "b.parquet", rows("b", day), day, arrived_h=26)
    return root


def test_hours_are_counted_from_the_end_of_the_utc_day() -> None:
    assert end_of(date(2026, 6, 14)) == datetime(2026, 6, 15, tzinfo=UTC)
    assert lag_h(date(2026, 6, 14), datetime(2026, 6, 15, 9, 30, tzinfo=UTC)) == 9.5


def test_deliveries_of_two_days_in_the_same_hour_both_count(lake: Path) -> None:
    times = arrival_times(open_lake(lake), days(6), NOW)

    assert first_lags_h(times) == dict.fromkeys(days(6), 2.0)
    assert {lag_h(day, arrived[-1]) for day, arrived in times.items()} == {26.0}


def test_a_lake_that_was_copied_says_nothing(lake: Path) -> None:
    for file in lake.glob("intervals/*/*"):
        os.utime(file, (NOW.timestamp() - 60,) * 2)

    assert arrival_times(open_lake(lake), days(6), NOW) == {}
    assert arrival_times(open_lake(lake), days(2), NOW) == {}


@pytest.mark.parametrize("arrived_h", [-30.0, 24 * 9 + 1.0], ids=["before the day began", "after now"])
def test_a_day_with_an_impossible_time_does_not_count(lake: Path, arrived_h: float) -> None:
    put(lake, "c.parquet", rows("a", DAY), DAY, arrived_h=arrived_h)

    assert set(arrival_times(open_lake(lake), days(6), NOW)) == set(days(6)[1:])


def test_a_day_is_read_as_it_was(lake: Path, tmp_path: Path) -> None:
    opened = open_lake(lake)
    with sql_runner.connect(tmp_path / "work", SETTINGS.engine) as con:
        then = {
            hours: covered_at(
                con, opened, DAY, end_of(DAY) + timedelta(hours=hours), registers=read_registers(opened, DAY),
                settings=SETTINGS, workdir=tmp_path / "work",
            )
            for hours in (9, 30)
        }  # fmt: skip

    assert then[9].rows() == [("a", 1440.0)]
    assert then[30].sort("site_id").rows() == [("a", 1440.0), ("b", 1440.0)]

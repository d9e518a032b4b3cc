"""Which runs and days of the store stay: by age, and whatever a night may still go on from."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.core.setting_sections import RetentionSettings
from pipeline.core.settings import load_settings
from pipeline.storage import publish, retention
from pipeline.storage.retention import (
    drop_runs,
    drop_store_days,
    oldest_store_day,
    published_days,
    runs_to_drop,
)

OWN = load_settings().retention
LAST = date(2026, 6, 14)  # a Sunday
SHORT = OWN.model_copy(update={"daily_days": 3, "weekly_days": 20})


def days_to(last: date, count: int) -> list[date]:
    return [last - timedelta(days=number) for number in reversed(range(count))]


def put_runs(out: Path, days: Iterable[date]) -> None:
    before = None
    for day in days:
        built = publish.building_folder(out, day)
        (built / "run.json").write_text(
            json.dumps({"as_of": str(day), "previous_run": before and str(before)})
        )
        publish.publish(built, out, day)
        before = day


def whole_runs(out: Path) -> set[str]:
    return {folder.name[:10] for folder in (out / "runs" / ".whole").iterdir()}


def test_daily_for_a_month_weekly_for_a_year_monthly_after() -> None:
    days = days_to(LAST, 800)
    dropped = set(runs_to_drop(days, (), OWN))
    kept = [day for day in days if day not in dropped]

    assert [day for day in kept if (LAST - day).days < 31] == days[-31:]
    year = [day for day in kept if 31 <= (LAST - day).days < 366]
    ends_month = {day for day in days if (day + timedelta(days=1)).day == 1}
    assert set(year) == {day for day in days[-366:-31] if day.weekday() == 6} | (
        ends_month & set(days[-366:-31])
    )
    assert [day for day in kept if (LAST - day).days >= 366] == sorted(ends_month & set(days[:-366]))
    assert len(kept) < 31 + 49 + 12 + 16


def test_of_a_week_without_its_sunday_the_last_run_there_is_stays() -> None:
    week = [date(2026, 3, 9), date(2026, 3, 11)]  # Monday, Wednesday
    assert runs_to_drop([*week, LAST], (), OWN) == (week[0],)
    assert runs_to_drop([*week, LAST], (week[0],), OWN) == ()


def test_night_after_night_leaves_what_one_look_back_would(tmp_path: Path) -> None:
    days = days_to(LAST, 60)
    left: list[date] = []
    for day in days:
        left.append(day)
        left = [one for one in left if one not in runs_to_drop(left, (), SHORT)]
    assert left == [day for day in days if day not in runs_to_drop(days, (), SHORT)]


def test_turned_off_everything_stays(tmp_path: Path) -> None:
    off = SHORT.model_copy(update={"thin_out": False})
    put_runs(tmp_path, days := days_to(LAST, 9))

    assert drop_runs(tmp_path, LAST, off) == ()
    assert published_days(tmp_path) == days
    assert oldest_store_day(days, LAST, off, least_days=1) is None


def test_the_latest_the_run_it_was_made_from_and_what_a_past_night_goes_on_from_stay(tmp_path: Path) -> None:
    days = [date(2026, 3, 9), date(2026, 3, 10), date(2026, 3, 11), date(2026, 3, 13), LAST]
    put_runs(tmp_path, days)

    assert drop_runs(tmp_path, date(2026, 3, 11), SHORT) == (date(2026, 3, 9),)
    assert published_days(tmp_path) == days[1:]
    assert whole_runs(tmp_path) == {str(day) for day in days[1:]}
    assert os.readlink(tmp_path / "latest") == f"runs/{LAST}"
    # made from the 10th, the 11th being published later
    run = tmp_path / "runs" / str(LAST) / "run.json"
    run.write_text(json.dumps({"previous_run": "2026-03-10"}))
    assert drop_runs(tmp_path, LAST, SHORT) == (date(2026, 3, 11),)


@pytest.mark.parametrize(("planned", "stays"), [(LAST + timedelta(days=1), True), (LAST, False)])
def test_a_run_whose_plan_is_not_over_stays(tmp_path: Path, planned: date, stays: bool) -> None:
    made = date(2026, 6, 8)
    put_runs(tmp_path, [made, *days_to(LAST, 3)])
    plan = tmp_path / "dispatch" / str(made) / "dispatch.parquet"
    plan.parent.mkdir(parents=True)
    pl.DataFrame({"day": [made, planned]}).write_parquet(plan)

    assert drop_runs(tmp_path, LAST, SHORT) == (() if stays else (made,))
    assert (made in published_days(tmp_path)) == stays


def test_killed_between_link_and_folder_the_folder_goes_the_next_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put_runs(tmp_path, days_to(LAST, 5))
    monkeypatch.setattr(retention.shutil, "rmtree", lambda folder: (_ for _ in ()).throw(KeyboardInterrupt))
    with pytest.raises(KeyboardInterrupt):
        drop_runs(tmp_path, LAST, SHORT)
    gone = days_to(LAST, 5)[:2]
    assert published_days(tmp_path) == days_to(LAST, 3)
    assert {str(day) for day in gone} < whole_runs(tmp_path)

    monkeypatch.undo()
    assert drop_runs(tmp_path, LAST, SHORT) == ()
    assert whole_runs(tmp_path) == {str(day) for day in days_to(LAST, 3)}


def test_the_store_goes_by_age_counts_first_and_only_by_the_newest_night(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tables = ("site_hour", "reject", "site_day", "intake", "cut", "later_table")
    for day in (old := [date(2025, 5, 1), date(2025, 5, 2)]) + [date(2025, 5, 10)]:
        for table in tables:
            (folder := tmp_path / table / f"date={day}").mkdir(parents=True)
            (folder / "file").touch()
    (tmp_path / "charts").mkdir()
    newest = date(2026, 6, 14)
    assert oldest_store_day([newest], newest, OWN, least_days=30) == date(2025, 5, 10)
    assert oldest_store_day([newest], newest, OWN, least_days=500) == newest - timedelta(days=500)
    assert oldest_store_day([newest], date(2026, 6, 13), OWN, least_days=30) is None

    order: list[str] = []
    remove = retention.shutil.rmtree
    monkeypatch.setattr(retention.shutil, "rmtree", lambda p: (order.append(p.parent.name), remove(p)))
    assert drop_store_days(tmp_path, date(2025, 5, 10)) == tuple(old)
    assert order[:2] == ["intake", "cut"]
    assert {path.name for path in tmp_path.glob("*/date=*")} == {"date=2025-05-10"}
    assert drop_store_days(tmp_path / "nowhere", newest) == ()


def test_settings_that_can_not_be_are_refused() -> None:
    with pytest.raises(ValueError, match="daily_days"):
        RetentionSettings(thin_out=True, daily_days=0, weekly_days=1, store_days=1)

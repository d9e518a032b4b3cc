"""Rows that are lost from the first night on, and homes that lack hours of every day, raise an alarm."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from lakes import SITE_COLUMNS, build_lake, put, rows

from pipeline.core.alarm import ALARM
from pipeline.core.settings import load_settings
from pipeline.nightly import run as night
from pipeline.nightly.floor_alarms import coverage_low, missing_hours, rejected_rows, rejects_high
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import NightResult, run_night

SETTINGS = load_settings()
OWN = SETTINGS.alarm
NEWEST = date(2026, 6, 14)
REASON = "l1_w is NaN or infinite"


def day_of(back: int) -> str:
    return str(NEWEST - timedelta(days=back))


def record(rejected: int, rows: int = 1000) -> dict[str, Any]:
    return {"rows_in": rows, "used": rows - rejected, "rejected": rejected}


def days(*rejected: int, rows: int = 1000) -> dict[str, dict[str, Any]]:
    """Days up to NEWEST, the newest last."""
    return {day_of(len(rejected) - 1 - at): record(count, rows) for at, count in enumerate(rejected)}


def counted(of: dict[str, dict[str, Any]], reason: str = REASON) -> pl.DataFrame:
    return pl.DataFrame(
        [(f"intervals/date={day}/a.csv", True, reason, one["rejected"]) for day, one in of.items() if one["rejected"]],
        schema={"source_file": pl.String, "is_row": pl.Boolean, "reason": pl.String, "count": pl.UInt32},
        orient="row",
    )  # fmt: skip


def told(of: dict[str, dict[str, Any]], *, is_first: bool = False, reason: str = REASON) -> str | None:
    line = rejects_high(of, counted(of, reason), NEWEST, is_first=is_first, settings=OWN)
    return line and line.told


@pytest.mark.parametrize("is_first", [True, False])
def test_few_rejects_raise_nothing_on_any_night(is_first: bool) -> None:
    assert told(days(20, 0, 99), is_first=is_first) is None


def test_a_tenth_of_the_newest_days_rows_raises_its_alarm() -> None:
    assert (
        told(days(0, 0, 100)) == f"100 of 1,000 rows of 2026-06-14 rejected (10 %), most (100) for: {REASON}"
    )


def test_a_tenth_of_the_usual_days_rows_raises_it_every_night_though_the_newest_day_is_clean() -> None:
    line = f"500 of 3,000 rows of the 3 days up to 2026-06-14 rejected (17 %), most (500) for: {REASON}"

    assert told(days(250, 250, 0)) == told(days(250, 250, 0), is_first=True) == line


def test_a_few_bad_days_are_told_on_a_first_night_only() -> None:
    assert told(days(900, 0, 0, 0), is_first=True) is not None
    assert told(days(900, 0, 0, 0)) is None


def test_too_few_rows_and_a_day_without_a_usable_one_say_nothing() -> None:
    assert told(days(9, 9, 9, rows=33), is_first=True) is None
    assert told(days(0, 0, 1000), is_first=True) is None  # `no_rows` says it


def test_rows_of_other_days_in_most_files_are_said_to_look_like_local_days() -> None:
    outside = "interval_start lies outside its partition's UTC day"

    assert 'partitions = "local day"' in str(told(days(250, 250, 0), reason=outside))
    assert 'partitions = "local day"' in str(told(days(40, 40, 0), reason=outside))
    assert "local day" not in str(told(days(250, 250, 0), reason=REASON))
    assert (
        told(days(11, 10, 11), reason=outside) is None
    )  # a row a day too many, as where the end is labelled
    assert told(days(0, 0, 90), reason=outside) is None  # one odd file


def test_rows_count_up_to_the_newest_day() -> None:
    later = {**days(100, 100), str(NEWEST + timedelta(days=1)): record(500)}

    assert (rejected_rows(later, NEWEST).rows, rejected_rows(later, NEWEST).share) == (2000, 0.1)


def coverage(
    covered: list[float | None], rejected_share: float = 0.0, files: list[Path] | None = None
) -> Any:
    pulse = pl.DataFrame(
        {"site_id": [f"h{n}" for n in range(len(covered))], "covered_before_min": covered},
        schema_overrides={"covered_before_min": pl.Float64},
    ).with_columns(covered_min=pl.col("covered_before_min").fill_null(600.0))
    line = coverage_low(
        pulse, rejected_share=rejected_share, hour_files=lambda: (NEWEST, files or []), settings=OWN
    )
    return line and line.told


def test_a_fifth_of_the_homes_without_hours_of_their_days_raises_an_alarm() -> None:
    short = "4 of 20 homes (20 %) usually have rows for less than 80 % of the day, 1,100 of 1,440 min in the middle"

    assert coverage([1440.0] * 16 + [1100.0] * 4) == short
    assert coverage([1440.0] * 17 + [1100.0] * 3) is None
    assert coverage([1440.0] * 16 + [1152.0] * 4) is None


def test_a_fleet_of_five_homes_is_watched_too_but_one_home_is_no_fleet() -> None:
    assert coverage([1440.0] * 4 + [600.0]) is None
    assert coverage([1440.0] * 3 + [600.0] * 2) is not None
    assert coverage([600.0] * 4) is None


def test_on_a_lake_of_one_day_that_day_counts() -> None:
    assert coverage([None] * 5) is not None


def test_what_is_missing_by_rejected_rows_is_not_told_again() -> None:
    assert coverage([1080.0] * 20) is not None
    assert coverage([1080.0] * 20, rejected_share=0.25) is None


@pytest.mark.parametrize(
    ("hours", "said"),
    [
        (range(6, 22), "; on 2026-06-14 most of them have none from 22:00 to 06:00 UTC"),
        ([0, *range(3, 12), *range(14, 24)],
         "; on 2026-06-14 most of them have none from 01:00 to 03:00 and 12:00 to 14:00 UTC"),
        (range(24), ""),
    ],
)  # fmt: skip
def test_the_hours_that_most_of_them_lack_are_named(tmp_path: Path, hours: Any, said: str) -> None:
    starts = [datetime(2026, 6, 14, hour) for hour in hours]
    others = [datetime(2026, 6, 14, hour) for hour in range(24)]
    heard = [(home, start) for home in ("a", "b") for start in starts] + [("c", start) for start in others]
    pl.DataFrame(heard, schema=["site_id", "hour_start"], orient="row").write_parquet(tmp_path / "h.parquet")

    assert missing_hours([tmp_path / "h.parquet"], pl.Series(["a", "b"]), NEWEST) == said
    assert missing_hours([], pl.Series(["a"]), NEWEST) == ""


HOMES = [f"h{number}" for number in range(6)]


def local_lake(root: Path, zone: str) -> Path:
    """A lake of six homes whose files are cut by the days of a zone."""
    facts = "America/Denver,39.7,-105.0,north,120/240,200,7.6,true,c1,2024-01-01"
    lines = [f"{SITE_COLUMNS},commissioned_on", *(f"{home},{facts}" for home in HOMES)]
    build_lake(root, sites="\n".join(lines) + "\n")
    every = pl.concat([rows(home, NEWEST - timedelta(days=back)) for home in HOMES for back in range(5)])
    moment = pl.col("interval_start").dt.replace_time_zone("UTC").dt.convert_time_zone(zone)
    for (day,), part in every.with_columns(day=moment.dt.date()).partition_by("day", as_dict=True).items():
        put(root, "a.parquet", part.drop("day"), day)
    return root


def first_night(lake: Path, out: Path) -> NightResult:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(night, "draw_report", lambda *given: None)
        return run_night(NightRequest(lake, out, NEWEST), SETTINGS)


@pytest.mark.parametrize("zone", ["America/Denver", "Europe/Berlin", "Asia/Tokyo"])
def test_a_lake_cut_by_local_days_alarms_on_its_first_night_and_every_night(
    tmp_path: Path, zone: str
) -> None:
    lake = local_lake(tmp_path / "lake", zone)

    alarms = first_night(lake, tmp_path / "out").alarm.filter(pl.col("severity") == ALARM)

    assert alarms["code"].to_list() == ["rejects_high"]
    assert 'partitions = "local day"' in alarms["told"].item()


def test_a_lake_cut_by_utc_days_raises_nothing_on_its_first_night(tmp_path: Path) -> None:
    alarms = first_night(local_lake(tmp_path / "lake", "UTC"), tmp_path / "out").alarm

    assert alarms.filter(pl.col("severity") == ALARM).is_empty()

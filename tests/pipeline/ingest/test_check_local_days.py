"""Partitions cut at local midnight are told by their pattern: the same hours outside, or missing, every day."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from check_lines import problems
from lakes import DAY, SITES, build_lake, put, rows

from pipeline.ingest.check_problem import Problem

WHAT = "of rows lie outside their partition's UTC day, at the same hours every day"


def local_days(root: Path, offset: timedelta, zone: str, *, is_cut: bool = False, minutes: int = 15) -> Path:
    """A lake of three days cut at the midnight of `offset` from UTC; `is_cut`: what is outside was dropped."""
    lake = build_lake(root / "lake", SITES.replace("America/Denver", zone))
    for ahead in range(3):
        day = DAY + timedelta(days=ahead)
        both = pl.concat([rows(site, day, minutes) for site in "ab"])
        moved = both.with_columns(pl.col("interval_start") - offset)
        if is_cut:
            moved = moved.filter(pl.col("interval_start").dt.date() == day)
        put(lake, "1.parquet" if ahead else "1.csv", moved, day)
    return lake


def pattern(lake: Path) -> list[Problem]:
    return [p for p in problems(lake, all_days=True) if "local days" in p.what]


@pytest.mark.parametrize(
    ("offset_h", "minutes", "zone", "told"),
    [
        (-6, 15, "America/Denver", "25 % {} (America/Denver, UTC-6)"),
        (-7, 60, "America/Los_Angeles", "29 % {} (America/Los_Angeles, UTC-7)"),
        (-7, 15, "America/Denver", "29 % {} (UTC-7)"),
        (2, 30, "Europe/Berlin", "8 % {} (Europe/Berlin, UTC+2)"),
        (5.5, 15, "Asia/Kolkata", "23 % {} (Asia/Kolkata, UTC+5:30)"),
        (-0.5, 15, "UTC", "2 % {} (UTC-0:30)"),
    ],
)
def test_local_days_are_named_with_their_zone(
    tmp_path: Path, offset_h: float, minutes: int, zone: str, told: str
) -> None:
    (problem,) = pattern(local_days(tmp_path, timedelta(hours=offset_h), zone, minutes=minutes))
    assert problem.severity == "fail"
    assert problem.what == told.format(f"{WHAT}: these look like local days")
    assert problem.hint == 'write partitions = "local day" in lake.toml [intervals]'


def test_local_days_whose_other_rows_were_dropped_are_seen_by_what_is_missing(tmp_path: Path) -> None:
    (problem,) = pattern(local_days(tmp_path, timedelta(hours=-7), "America/Los_Angeles", is_cut=True))
    assert (problem.severity, problem.what) == (
        "note",
        "29 % missing at the same hours every day (00:00 to 07:00 UTC): these look like local days"
        " (America/Los_Angeles, UTC-7)",
    )
    assert problem.hint.startswith("send the rows that were cut off too")


def test_rows_outside_on_one_day_of_three_are_no_pattern(tmp_path: Path) -> None:
    lake = local_days(tmp_path, timedelta(0), "America/Denver")
    late = rows("a", DAY + timedelta(days=1)).head(24)
    put(lake, "2.parquet", late)
    assert pattern(lake) == []


def test_whole_days_and_a_night_s_pause_of_the_newest_day_are_no_pattern(tmp_path: Path) -> None:
    lake = local_days(tmp_path, timedelta(0), "America/Denver")
    newest = DAY + timedelta(days=2)
    put(lake, "1.parquet", pl.concat([rows(site, newest).head(60) for site in "ab"]), newest)
    assert pattern(lake) == []


def test_starts_that_are_no_pattern_of_a_zone_are_not_taken_for_one(tmp_path: Path) -> None:
    lake = build_lake(tmp_path / "lake")
    for ahead in range(3):
        day = DAY + timedelta(days=ahead)
        noon = datetime(day.year, day.month, day.day) + timedelta(days=1)
        strays = rows("a", date(2025, 7, 1)).with_columns(
            pl.lit(noon).cast(pl.Datetime("us")).alias("interval_start")
        )
        put(
            lake,
            "1.parquet",
            pl.concat([rows("a", day), rows("b", day), rows("a", day - timedelta(days=2))]),
            day,
        )
        put(lake, "2.parquet", strays.head(1), day)
    assert pattern(lake) == []

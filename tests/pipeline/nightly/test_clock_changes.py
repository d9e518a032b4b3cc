"""Nights on which clocks change: local days of 23 and 25 hours come in whole, whatever the zone."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import polars as pl
import pytest
from hypothesis import assume, given
from hypothesis import settings as effort
from hypothesis import strategies as st
from lakes import build_lake, put, reasons, rows, take_in

from pipeline.core import contract
from pipeline.ingest.lake_config import Intervals
from pipeline.ingest.timestamps import interval_starts
from pipeline.report.series import home_series

ZONES = sorted(contract.time_zones())
FORWARD, BACK = (
    date(2025, 3, 9),
    date(2025, 11, 2),
)  # in Denver: the clock skips 2 to 3, then has 1 to 2 twice


def test_every_zone_that_a_register_may_name_is_one_that_pictures_can_be_drawn_in() -> None:
    midnight = pl.Series([datetime(2025, 1, 1)]).dt.replace_time_zone("UTC")
    for zone in ZONES:
        assert midnight.dt.convert_time_zone(zone).null_count() == 0


@effort(max_examples=150, deadline=None)
@given(
    zone=st.sampled_from(ZONES),
    day=st.dates(date(1995, 1, 1), date(2037, 12, 31))
    | st.sampled_from([FORWARD, BACK, date(2025, 3, 30), date(2025, 10, 26)]),
    minutes=st.sampled_from(contract.INTERVAL_MINUTES[1:]),
    is_end=st.booleans(),
)
def test_local_times_come_back_as_the_utc_starts_that_they_were(
    zone: str, day: date, minutes: int, is_end: bool
) -> None:
    """The standard library's zones are the oracle: two days of UTC intervals, written in local time and read."""
    first = datetime.combine(day, time(), UTC) - timedelta(hours=12)
    starts = [first + timedelta(minutes=at) for at in range(0, 48 * 60, minutes)]
    step = timedelta(minutes=minutes if is_end else 0)
    local = [(start + step).astimezone(ZoneInfo(zone)) for start in starts]
    offsets = {moment.utcoffset() for moment in local}
    assume(all(offset.total_seconds() % 60 == 0 for offset in offsets if offset is not None))
    assume(not local[0].fold and local[0].replace(fold=1).utcoffset() == local[0].utcoffset())
    assume(local[-1].replace(fold=1).utcoffset() == local[-1].utcoffset())
    how = Intervals(zone=zone, minutes=minutes, labelled="end" if is_end else "start")
    times = pl.Series("read_at", [moment.strftime("%Y-%m-%d %H:%M") for moment in local])

    found, fault = interval_starts(times, pl.Series(["a"] * len(starts)), how)

    assert fault.null_count() == len(starts)
    assert found.to_list() == [start.replace(tzinfo=None) for start in starts]


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    root = build_lake(tmp_path / "lake")
    (root / "lake.toml").write_text('[intervals]\nzone = "America/Denver"\n')
    return root


def as_local(frame: pl.DataFrame) -> str:
    """The rows as a source in Denver would write them, in the order of time."""
    local = pl.col("interval_start").dt.replace_time_zone("UTC").dt.convert_time_zone("America/Denver")
    return frame.with_columns(local.dt.to_string("%Y-%m-%d %H:%M").alias("interval_start")).write_csv()


@pytest.mark.parametrize("day", [FORWARD, BACK, BACK + timedelta(days=1)])
def test_a_utc_day_in_local_time_is_whole_on_the_night_of_the_change(lake: Path, day: date) -> None:
    put(lake, "1.csv", as_local(rows("a", day)), day)
    intake, used = take_in(lake, day)
    assert (intake.rows_in, intake.used) == (96, 96)
    assert used["interval_start"].equals(rows("a", day)["interval_start"])


@pytest.mark.parametrize(("day", "hours"), [(FORWARD, 23), (BACK, 25)])
def test_a_local_day_is_used_in_its_two_utc_days_and_rejected_outside_each(
    lake: Path, day: date, hours: int
) -> None:
    zone = ZoneInfo("America/Denver")
    first, last = (
        datetime.combine(at, time(), zone).astimezone(UTC).replace(tzinfo=None)
        for at in (day, day + timedelta(days=1))
    )
    both = pl.concat([rows("a", day), rows("a", day + timedelta(days=1))])
    local_day = both.filter(pl.col("interval_start").is_between(first, last, closed="left"))
    assert local_day.height == hours * 4
    used = 0
    for utc_day in (day, day + timedelta(days=1)):
        put(lake, "1.csv", as_local(local_day), utc_day)
        intake, _ = take_in(lake, utc_day)
        assert intake.rows_in == intake.used + intake.rejected == hours * 4
        assert reasons(intake) in (
            ["interval_start lies outside its partition's UTC day"],
            [
                "interval_start lies in the future, after the as-of day",
                "interval_start lies outside its partition's UTC day",
            ],
            ["interval_start lies in the future, after the as-of day"],
        )
        used += intake.used
    assert used == hours * 4


@pytest.mark.parametrize(("day", "hours"), [(FORWARD, 23), (BACK, 25)])
def test_the_picture_of_such_a_day_has_its_hours_once(day: date, hours: int) -> None:
    """The doubled hour of autumn is one cell, the mean of both; the skipped one of spring is empty."""
    at = datetime.combine(day, time()) + timedelta(hours=6 if day == BACK else 7)
    hour = [at + timedelta(hours=number) for number in range(hours)]
    frame = pl.DataFrame(
        {"hour_start": hour, **{name: [float(n) for n in range(hours)] for name in ("l1_w", "l2_w", "pv_w")}}
    )
    daily = pl.DataFrame({"day": [day]})
    series = home_series(frame.with_columns(site_id=pl.lit("a")), daily, "America/Denver")
    assert series.hours["day"].unique().to_list() == [day]
    assert series.hours.height == min(hours, 24)
    if day == BACK:
        assert series.hours.filter(hour=1)["l1_w"].item() == pytest.approx(1.5)
    else:
        assert 2 not in series.hours["hour"].to_list()


@effort(max_examples=12, deadline=None)
@given(
    first=st.sampled_from([5, 15, 30]),
    then=st.sampled_from([5, 15, 30, 60]),
    at=st.integers(0, 24),
)
def test_two_lengths_in_one_home_lose_no_row(
    tmp_path_factory: pytest.TempPathFactory, first: int, then: int, at: int
) -> None:
    """A meter set to another length in the middle of the day, with an hour that came in both."""
    root = build_lake(tmp_path_factory.mktemp("lake") / "lake")
    turn = datetime(2025, 6, 1) + timedelta(hours=at)
    early = rows("a", minutes=first).filter(pl.col("interval_start") < turn + timedelta(hours=1))
    late = rows("a", minutes=then, l1_w=400.0).filter(pl.col("interval_start") >= turn)
    put(root, "1.parquet", early)
    put(root, "2.parquet", late, arrived_h=1)
    intake, used = take_in(root)
    doubled = early.join(late, on="interval_start").height
    assert (intake.rows_in, intake.duplicate, intake.rejected) == (early.height + late.height, doubled, 0)
    assert used.filter(pl.col("interval_start") >= turn, pl.col("l1_w") == 400.0).height == late.height

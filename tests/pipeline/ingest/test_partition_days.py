"""Local days beside UTC days: each UTC day finds all partitions that may have rows of it, and no others."""

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import settings as effort
from hypothesis import strategies as st

from pipeline.core import contract
from pipeline.ingest.partition_days import PartitionDays

DAY = timedelta(days=1)
DATES = st.dates(date(1995, 1, 1), date(2037, 12, 31)) | st.sampled_from(
    [date(2025, 3, 9), date(2025, 11, 2), date(2025, 3, 30), date(2025, 10, 5), date(2025, 4, 6)]
)


def test_a_utc_partition_is_its_own_day() -> None:
    days_of, day = PartitionDays(), date(2025, 6, 1)
    assert days_of.days(day) == days_of.days_searched(day) == days_of.partitions(day) == [day]
    assert days_of.last_whole_day(day) == day
    assert not days_of.is_over(day, datetime(2025, 6, 1, 23, 59, tzinfo=UTC))
    assert days_of.is_over(day, datetime(2025, 6, 2, tzinfo=UTC))
    assert days_of.is_to_come(day, date(2025, 5, 31))
    assert not days_of.is_to_come(day, day)


@pytest.mark.parametrize(
    ("zone", "days", "whole"),
    [
        ("America/Denver", [0, 1], 0),
        ("-07:00", [0, 1], 0),
        ("Australia/Adelaide", [-1, 0], -1),
        ("Australia/Lord_Howe", [-1, 0], -1),
        ("+10:30", [-1, 0], -1),
        ("Pacific/Kiritimati", [-1, 0], -1),
        (None, [-1, 0, 1], -1),
    ],
)
def test_local_days_reach_into_the_day_after_in_the_west_and_the_day_before_in_the_east(
    zone: str | None, days: list[int], whole: int
) -> None:
    partition, days_of = date(2025, 6, 2), PartitionDays(True, zone)
    assert days_of.days(partition) == [partition + n * DAY for n in days]
    assert days_of.last_whole_day(partition) == partition + whole * DAY
    assert len(days_of.partitions(partition)) == len(days_of.days_searched(partition)) == len(days)


@effort(max_examples=300, deadline=None)
@given(zone=st.sampled_from(sorted(contract.time_zones())), day=DATES, minute=st.integers(0, 1439))
def test_every_row_is_found_and_a_day_that_is_over_is_whole(zone: str, day: date, minute: int) -> None:
    """The standard library's zones are the oracle."""
    moment = datetime.combine(day, time(), UTC) + timedelta(minutes=minute)
    partition = moment.astimezone(ZoneInfo(zone)).date()
    last = (datetime.combine(day + DAY, time(), UTC) - timedelta(minutes=1)).astimezone(ZoneInfo(zone)).date()
    for days_of in (PartitionDays(True, zone), PartitionDays(True)):
        assert partition in days_of.partitions(day)
        assert day in days_of.days(partition)
        assert day in days_of.partitions(day)
        assert not days_of.is_to_come(partition, day)
        # A UTC day counts as whole no sooner than the partition of its last minute is over.
        whole = days_of.last_whole_day(last - DAY)
        assert whole < day
        assert days_of.last_whole_day(last + DAY) >= day

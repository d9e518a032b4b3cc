"""Times in a source's own words become the UTC starts of intervals."""

from datetime import date, datetime

import polars as pl
import pytest

from pipeline.ingest.lake_config import Intervals, read_lake_config
from pipeline.ingest.timestamps import interval_starts

NOON = datetime(2025, 6, 1, 12)
DENVER = 'zone = "America/Denver"'


def how(text: str) -> Intervals:
    return read_lake_config("[intervals]\n" + text, "lake.toml").intervals


def starts(text: str, *times: object, homes: str = "") -> list[datetime | None]:
    given = pl.Series("read_at", list(times))
    start, _ = interval_starts(given, pl.Series(list(homes or "a" * len(times))), how(text))
    return start.to_list()


@pytest.mark.parametrize(
    "text",
    [
        "2025-06-01T12:00:00Z",
        " 2025-06-01 12:00 ",
        "2025-06-01T12:00:00.000",
        "2025-06-01T06:00:00-06:00",
        "2025-06-01 17:30+0530",
    ],
)
def test_iso_times_in_all_their_forms(text: str) -> None:
    assert starts("", text) == [NOON]


def test_local_time_with_its_zone_or_a_fixed_offset() -> None:
    assert starts(DENVER, "2025-06-01 06:00") == [NOON]
    assert starts('zone = "+05:30"', "2025-06-01 17:30") == [NOON]
    assert starts(DENVER, "2025-06-01T12:00:00Z") == [NOON]


def test_formats_of_the_sources_own() -> None:
    assert starts(f'{DENVER}\ntime_format = "%d/%m/%Y %H.%M"', "01/06/2025 06.00") == [NOON]
    assert starts('time_format = "%d.%m.%Y %H:%M %z"', "01.06.2025 14:00 +0200") == [NOON]
    assert starts('time_format = "epoch s"', "1748779200") == [NOON]
    assert starts('time_format = "epoch ms"', 1748779200000) == [NOON]


def test_the_doubled_hour_of_autumn_is_resolved_by_each_homes_order() -> None:
    times = ("2025-11-02 01:30", "2025-11-02 02:30", "2025-11-02 01:30", "2025-11-02 01:30")
    assert starts(DENVER, *times, homes="aaab") == [
        datetime(2025, 11, 2, 7, 30),
        datetime(2025, 11, 2, 9, 30),
        datetime(2025, 11, 2, 8, 30),
        datetime(2025, 11, 2, 7, 30),
    ]


def test_a_time_that_can_not_be_says_why_and_an_empty_one_is_left_to_the_checks() -> None:
    given = pl.Series("read_at", ["2025-03-09 02:30", "tomorrow", "", None])
    start, fault = interval_starts(given, pl.Series(["a"] * 4), how(DENVER))
    assert start.null_count() == 4
    assert fault.to_list() == [
        "local time does not exist: the clock goes forward over it",
        "read_at: 'tomorrow' is not a time",
        None,
        None,
    ]


def test_an_interval_labelled_by_its_end_starts_a_length_before() -> None:
    assert starts('minutes = 15\nlabelled = "end"', "2025-06-01T12:15:00Z") == [NOON]


def test_typed_times() -> None:
    naive = pl.Series("t", [datetime(2025, 6, 1, 6)], dtype=pl.Datetime("ns"))
    zoned = naive.dt.replace_time_zone("America/Denver")
    home = pl.Series(["a"])
    for given, said in ((naive, how(DENVER)), (zoned, Intervals()), (zoned, how(DENVER))):
        start, _ = interval_starts(given, home, said)
        assert start.dtype == pl.Datetime("us")
        assert start.to_list() == [NOON]


@pytest.mark.parametrize(("value", "text"), [(True, "true"), (5, "5"), ("2025-13-01", "2025-13-01")])
def test_what_is_no_time_is_its_text(value: object, text: str) -> None:
    start, fault = interval_starts(pl.Series("read_at", [value]), pl.Series(["a"]), Intervals())
    assert (start[0], fault[0]) == (None, f"read_at: '{text}' is not a time")


@pytest.mark.parametrize("value", [date(2025, 6, 1), "2025-06-01", " 2025-06-01\t"])
def test_a_date_alone_is_its_midnight(value: object) -> None:
    assert starts("", value) == [datetime(2025, 6, 1)]
    assert starts(DENVER, value) == [datetime(2025, 6, 1, 6)]


@pytest.mark.parametrize("text", ["06:00:00+00", "00:00-06:00", "06:00 UTC", "00:00:00.5-0600", "06:00:00Z"])
def test_an_offset_of_any_usual_form_is_read(text: str) -> None:
    assert [time.replace(microsecond=0) for time in starts("", f"2025-06-01 {text}")] == [
        datetime(2025, 6, 1, 6)
    ]


@pytest.mark.parametrize("count", [1748757600, "1748757600", 1748757600.0, " 1748757600 "])
def test_a_count_since_1970_of_any_type(count: object) -> None:
    assert starts('time_format = "epoch s"', count) == [datetime(2025, 6, 1, 6)]

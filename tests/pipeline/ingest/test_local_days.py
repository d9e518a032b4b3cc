"""A lake cut by local days: every row counts once, on the UTC day that its time says."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from lakes import CREWS, SITES, VISITS, build_lake, put, reasons, rejects_of, rows, take_in, take_in_lake
from repartitioned import by_local_day

from pipeline.core.errors import InputError
from pipeline.core.settings import load_settings
from pipeline.ingest.contract_check import check_lake
from pipeline.ingest.lake import open_lake
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import run_night

LOCAL = '[intervals]\npartitions = "local day"\n'
ZONES = ("America/Denver", "Australia/Adelaide", "Australia/Lord_Howe", "Europe/London", "America/St_Johns")
# Days around which clocks change in America, Europe, and Australia.
AROUND = (date(2025, 3, 9), date(2025, 11, 2), date(2025, 3, 30), date(2025, 4, 6), date(2025, 10, 5))


def days_of_two_homes(root: Path, days: Sequence[date]) -> Path:
    lake = build_lake(root, sites=SITES, crews=CREWS, visits=VISITS)
    for number, day in enumerate(days):
        half_hours = [rows(home, day, 30, l1_w=300.0 + number) for home in ("a", "b")]
        put(lake, "1.parquet", pl.concat(half_hours), day)
    return lake


@pytest.mark.parametrize("middle", AROUND, ids=str)
@pytest.mark.parametrize("zone", ZONES)
@pytest.mark.parametrize("is_named", [True, False])
def test_rows_belong_where_their_time_says_over_changes_of_the_clock(
    zone: str, middle: date, is_named: bool, tmp_path: Path
) -> None:
    days = [middle + timedelta(days=n) for n in (-1, 0, 1)]
    utc = days_of_two_homes(tmp_path / "utc", days)
    toml = LOCAL + (f'partition_zone = "{zone}"\n' if is_named else "")
    local = by_local_day(utc, tmp_path / "local", zone, toml)
    lake = open_lake(local)
    assert set(days) <= set(lake.days())
    rows_in = used = 0
    for day in lake.days():
        intake, table = take_in_lake(lake, day, as_of=days[-1])
        rows_in, used = rows_in + intake.rows_in, used + intake.used
        if day in days:
            assert table.equals(take_in(utc, day, as_of=days[-1])[1])
    assert rows_in == used == 3 * 2 * 48


def test_a_row_counts_once_whatever_is_wrong_with_it(tmp_path: Path) -> None:
    """Times that are none, days too far, numbers that are none, a file that is none: each told by one day."""
    lake = build_lake(tmp_path / "lake")
    (lake / "lake.toml").write_text(LOCAL + 'zone = "America/Denver"\n', encoding="utf-8")
    local = rows("a", date(2025, 6, 1)).with_columns(pl.col("interval_start").dt.to_string("%Y-%m-%d %H:%M"))
    odd = pl.concat(
        [
            local.head(1).with_columns(interval_start=pl.lit("noon")),
            local.head(1).with_columns(interval_start=pl.lit(None, dtype=pl.String)),
            local.head(1).with_columns(interval_start=pl.lit("2025-06-03 00:00")),
            local.head(1).with_columns(interval_start=pl.lit("2025-05-20 00:00")),
        ]
    )
    put(lake, "1.csv", pl.concat([local, odd]).write_csv())
    put(lake, "2.parquet", b"nonsense")
    opened = open_lake(lake)
    assert opened.days() == [date(2025, 6, 1), date(2025, 6, 2)]
    first, used = take_in_lake(opened, date(2025, 6, 1), as_of=date(2025, 6, 2))
    second, evening = take_in_lake(opened, date(2025, 6, 2))
    assert (first.rows_in, first.used, first.rejected) == (72 + 4, 72, 4)
    assert (second.rows_in, second.used, second.rejected) == (24, 24, 0)
    assert used["interval_start"].min() == datetime(2025, 6, 1, 6)
    assert evening["interval_start"].max() == datetime(2025, 6, 2, 5, 45)
    told = rejects_of(first).sort("source_row", nulls_last=True)
    assert told["source_row"].to_list() == [97, 98, 99, 100, None]
    assert reasons(first)[1:] == [
        "interval_start: 'noon' is not a time",
        "interval_start is missing",
        "interval_start lies outside its partition's local day",
    ]
    assert rejects_of(second).is_empty()


def test_the_same_row_in_two_partitions_is_a_duplicate_and_the_later_file_wins(tmp_path: Path) -> None:
    lake = build_lake(tmp_path / "lake")
    (lake / "lake.toml").write_text(LOCAL, encoding="utf-8")
    day, after = date(2025, 6, 1), date(2025, 6, 2)
    put(lake, "1.parquet", rows("a", day, l1_w=1.0), after)
    put(lake, "1.parquet", rows("a", day, l1_w=2.0), day, arrived_h=90)
    intake, used = take_in(lake, day)
    assert (intake.used, intake.duplicate) == (96, 96)
    assert used["l1_w"].unique().to_list() == [2.0]


@pytest.mark.parametrize(
    ("zone", "over_at", "newest"),
    [
        ("America/Denver", datetime(2025, 6, 3, 6), date(2025, 6, 2)),
        ("Australia/Adelaide", datetime(2025, 6, 2, 14, 30), date(2025, 6, 1)),
        (None, datetime(2025, 6, 3, 12), date(2025, 6, 1)),
    ],
)
def test_the_newest_day_is_the_last_whole_one(
    zone: str | None, over_at: datetime, newest: date, tmp_path: Path
) -> None:
    lake = build_lake(tmp_path / "lake")
    (lake / "lake.toml").write_text(
        LOCAL + (f'partition_zone = "{zone}"\n' if zone else ""), encoding="utf-8"
    )
    for day in (date(2025, 5, 31), date(2025, 6, 1), date(2025, 6, 2)):
        put(lake, "1.parquet", rows("a", day), day)
    opened, over_at = open_lake(lake), over_at.replace(tzinfo=UTC)
    assert opened.newest_finished_day(over_at) == newest
    assert opened.newest_finished_day(over_at - timedelta(seconds=1)) == newest - timedelta(days=1)
    assert opened.future_days(date(2025, 6, 1)) == [] or zone == "America/Denver"
    assert opened.future_days(date(2025, 5, 30))[-1] >= date(2025, 6, 2)
    with pytest.raises(InputError, match=r"is not over|after today"):
        opened.newest_finished_day(datetime(2025, 5, 31, 6, tzinfo=UTC))


def test_a_late_file_changes_the_days_that_it_may_have_rows_of(tmp_path: Path) -> None:
    lake = build_lake(tmp_path / "lake")
    (lake / "lake.toml").write_text(LOCAL + 'partition_zone = "America/Denver"\n', encoding="utf-8")
    days = [date(2025, 6, n) for n in (1, 2, 3, 4)]
    for day in days[:3]:
        put(lake, "1.parquet", rows("a", day), day)
    opened = open_lake(lake)
    before = [opened.fingerprint(day) for day in days]
    put(lake, "late.parquet", rows("b", days[1]), days[1])
    is_same = [opened.fingerprint(day) == was for day, was in zip(days, before, strict=True)]
    assert is_same == [True, False, False, True]


def test_check_says_what_partitions_are(tmp_path: Path) -> None:
    lake = build_lake(tmp_path / "lake")
    (lake / "lake.toml").write_text(LOCAL + 'partition_zone = "America/Denver"\n', encoding="utf-8")
    put(lake, "1.parquet", rows("a"))
    told = [
        f"{problem.where} {problem.what}"
        for problem in check_lake(open_lake(lake), load_settings(), date(2025, 6, 9))
    ]
    assert (
        "lake.toml intervals: partitions are local days of America/Denver; a row belongs where its time says"
        in told
    )


@pytest.mark.parametrize(
    ("toml", "told"),
    [
        ('partitions = "day"', "intervals.partitions: Input should be 'UTC day' or 'local day'"),
        ('partition_zone = "America/Denver"', 'intervals: partition_zone needs partitions = "local day"'),
        (
            'partitions = "local day"\npartition_zone = "Denver"',
            "intervals.partition_zone: 'Denver' is neither an IANA",
        ),
    ],
)
def test_a_key_that_makes_no_sense_is_named(toml: str, told: str, tmp_path: Path) -> None:
    lake = build_lake(tmp_path / "lake")
    (lake / "lake.toml").write_text(f"[intervals]\n{toml}\n", encoding="utf-8")
    with pytest.raises(InputError) as error:
        open_lake(lake)
    assert told in str(error.value)


@pytest.mark.heavy
def test_the_sample_cut_by_local_days_comes_to_the_same_night(sample_out: Path, tmp_path: Path) -> None:
    sample = Path(__file__).parents[3] / "sample_lake"
    toml = LOCAL + 'partition_zone = "America/Denver"\n'
    lake = by_local_day(sample, tmp_path / "lake", "America/Denver", toml)
    run_night(NightRequest(lake, tmp_path / "out"), load_settings())
    tables = sorted(path.name for path in (sample_out / "latest").glob("*.parquet"))
    assert len(tables) > 30
    for name in tables:
        both = [pl.read_parquet(out / "latest" / name, glob=False) for out in (sample_out, tmp_path / "out")]
        assert both[1].equals(both[0]), name

"""A lake is opened or refused with what to do; its days and files come in order, oddities are told."""

import os
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from lakes import DAY, build_lake, put, rows

from pipeline.core.errors import InputError
from pipeline.ingest.lake import open_lake, partition_day


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    return build_lake(tmp_path / "lake")


def test_days_are_the_partitions_with_files(lake: Path) -> None:
    for day in (date(2025, 6, 2), DAY):
        put(lake, "1.parquet", rows("a", day), day)
    assert open_lake(lake).days() == [DAY, date(2025, 6, 2)]


def test_files_come_in_order_of_arrival_then_name(lake: Path) -> None:
    put(lake, "c.csv", rows("a"), arrived_h=0)
    put(lake, "b.parquet", rows("a"), arrived_h=2)
    put(lake, "a.csv.gz", b"", arrived_h=2)
    files = open_lake(lake).files(DAY)
    assert [file.path.name for file in files] == ["c.csv", "a.csv.gz", "b.parquet"]
    assert files[0].name == "intervals/date=2025-06-01/c.csv"


def test_a_fingerprint_changes_with_a_late_file_a_rewrite_and_the_mapping(lake: Path) -> None:
    put(lake, "1.csv", rows("a"))
    seen = [open_lake(lake).fingerprint(DAY)]
    assert open_lake(lake).fingerprint(DAY) == seen[0]
    put(lake, "2.csv", rows("b"))
    seen.append(open_lake(lake).fingerprint(DAY))
    put(lake, "1.csv", rows("a"), arrived_h=1)
    seen.append(open_lake(lake).fingerprint(DAY))
    (lake / "lake.toml").write_text("[intervals]\nminutes = 15\n")
    seen.append(open_lake(lake).fingerprint(DAY))
    assert len(set(seen)) == 4


def test_what_is_not_read_is_told(lake: Path) -> None:
    put(lake, "1.csv", rows("a"))
    put(lake, "notes.txt", "hello")
    put(lake, "_SUCCESS", "")
    (lake / "intervals" / "day=2025-06-02").mkdir()
    (lake / "intervals" / "date=2025-02-30").mkdir()
    (lake / "intervals" / "date=2025-06-03").mkdir()
    assert dict(open_lake(lake).oddities()) == {
        "intervals/date=2025-06-01/notes.txt": "not one of .parquet, .csv, .csv.gz; it is not read",
        "intervals/day=2025-06-02": "not a partition named date=YYYY-MM-DD; it is not read",
        "intervals/date=2025-02-30": "not a partition named date=YYYY-MM-DD; it is not read",
        "intervals/date=2025-06-03": "a day without a file",
    }


def test_the_newest_finished_day_is_over_in_utc_and_never_in_the_future(lake: Path) -> None:
    for day in (DAY, DAY + timedelta(days=1), date(2199, 1, 1)):
        put(lake, "1.csv", rows("a", day), day)
    opened = open_lake(lake)
    in_denver = datetime(2025, 6, 2, 3, 30, tzinfo=ZoneInfo("America/Denver"))
    assert opened.newest_finished_day(in_denver.astimezone(UTC)) == DAY  # the second day is ten hours old
    assert opened.newest_finished_day(datetime(2025, 6, 3, tzinfo=UTC)) == DAY + timedelta(days=1)
    with pytest.raises(
        InputError, match="2025-06-01, its only day so far, is not over in UTC; run the night tomorrow"
    ):
        opened.newest_finished_day(datetime(2025, 6, 1, 23, 59, tzinfo=UTC))
    with pytest.raises(InputError, match="every partition lies after today, 2020-01-01"):
        opened.newest_finished_day(datetime(2020, 1, 1, tzinfo=UTC))


def test_a_missing_register_of_homes_is_named(lake: Path) -> None:
    (lake / "sites.csv").unlink()
    with pytest.raises(InputError, match=r"no sites\.csv or sites\.parquet"):
        open_lake(lake)


def test_all_registers_but_that_of_homes_may_be_left_out(lake: Path) -> None:
    for name in ("crews.csv", "visits.csv"):
        (lake / name).unlink()
    put(lake, "a.parquet", rows())
    opened = open_lake(lake)
    assert [opened.register(table) for table in ("crews", "visits", "trainings")] == [None, None, None]


def test_an_empty_lake_is_refused_with_what_to_do(tmp_path: Path, lake: Path) -> None:
    with pytest.raises(InputError, match="no such folder; name a lake"):
        open_lake(tmp_path / "nowhere")
    with pytest.raises(InputError, match="no day holds a file; put data in date=YYYY-MM-DD/"):
        open_lake(lake)
    (lake / "intervals" / "2025-06-01").mkdir()
    with pytest.raises(InputError, match=r"intervals/2025-06-01: not a partition named date=YYYY-MM-DD"):
        open_lake(lake)
    (lake / "intervals" / "2025-06-01").rmdir()
    (lake / "intervals").rmdir()
    with pytest.raises(InputError, match="no folder intervals"):
        open_lake(lake)


def test_parquet_registers_come_before_csv(lake: Path) -> None:
    put(lake, "1.csv", rows("a"))
    rows("a").write_parquet(lake / "sites.parquet")
    opened = open_lake(lake)
    assert opened.register("sites") == lake / "sites.parquet"
    assert opened.register("crews") == lake / "crews.csv"
    assert opened.register("trainings") is None


@pytest.mark.parametrize(
    ("name", "day"),
    [
        ("date=2025-06-01", DAY),
        ("date=20250601", None),
        ("date=2025-13-01", None),
        ("date=2025-06-01x", None),
    ],
)
def test_partition_names(name: str, day: date | None) -> None:
    assert partition_day(name) == day


def test_utility_files_come_in_order_of_arrival_and_the_rest_is_told(lake: Path) -> None:
    put(lake, "a.parquet", rows())
    assert open_lake(lake).utility_files() == ([], [])
    folder = lake / "utility"
    (folder / "old").mkdir(parents=True)
    for hour, name in enumerate(
        ("late.xml", "b.csv.gz", "a.parquet", "x.xml.gz", "c.csv", "notes.txt", ".part.xml")
    ):
        (folder / name).write_text("x", encoding="utf-8")
        os.utime(folder / name, (9000 - 100 * hour, 9000 - 100 * hour))
    files, odd = open_lake(lake).utility_files()
    assert [file.name for file in files] == [
        f"utility/{name}" for name in ("c.csv", "x.xml.gz", "a.parquet", "b.csv.gz", "late.xml")
    ]
    assert odd == [
        ("utility/notes.txt", "not one of .xml, .xml.gz, .parquet, .csv, .csv.gz; it is not read"),
        ("utility/old", "a folder; it is not read"),
    ]


def test_a_utility_file_whose_name_is_no_text_is_told(lake: Path) -> None:
    put(lake, "a.parquet", rows())
    (lake / "utility").mkdir()
    os.close(os.open(os.fsencode(lake / "utility") + b"/\xff.xml", os.O_CREAT))
    assert open_lake(lake).utility_files() == (
        [],
        [("utility/\\udcff.xml", "its name is no UTF-8 text; it is not read")],
    )

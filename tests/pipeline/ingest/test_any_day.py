"""Files with rows of any day: taken in once, read a day at a time, each row counted on one day."""

from __future__ import annotations

import os
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from lakes import build_lake, reasons, rejects_of, rows, take_in_lake

from pipeline.core.errors import InputError
from pipeline.ingest import any_day
from pipeline.ingest.lake import open_lake

DAYS = [date(2025, 6, n) for n in (1, 2, 3)]


@pytest.fixture(autouse=True)
def cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("NIGHTCLAMP_OBJECT_STORE__CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache"


@pytest.fixture
def root(tmp_path: Path) -> Path:
    lake = build_lake(tmp_path / "lake")
    (lake / "lake.toml").write_text('[intervals]\nfiles = "any day"\n', encoding="utf-8")
    return lake


def put(root: Path, name: str, content: pl.DataFrame | bytes, arrived: int = 9) -> Path:
    path = root / "intervals" / name
    path.parent.mkdir(exist_ok=True)
    if isinstance(content, bytes):
        path.write_bytes(content)
    elif name.endswith(".csv"):
        content.write_csv(path, datetime_format="%Y-%m-%dT%H:%M:%SZ")
    else:
        content.write_parquet(path)
    moment = datetime(2025, 6, arrived, tzinfo=UTC).timestamp()
    os.utime(path, (moment, moment))
    return path


def days_of(home: str, days: list[date], **measures: float) -> pl.DataFrame:
    return pl.concat([rows(home, day, **measures) for day in days])


def test_every_row_counts_once_on_the_day_that_its_time_says(root: Path) -> None:
    odd = (
        rows("a")
        .head(3)
        .with_columns(
            interval_start=pl.Series([None, datetime(1960, 1, 1), datetime(2200, 1, 1)]).cast(
                pl.Datetime("us")
            )
        )
    )
    put(root, "a.csv", pl.concat([days_of("a", DAYS), odd]))
    put(root, "north/b.parquet", days_of("b", DAYS[1:]))
    put(root, "c.csv", b"nonsense")
    put(root, "readme.txt", b"hello")
    lake = open_lake(root)
    assert lake.days() == DAYS
    assert lake.oddities() == [("intervals/readme.txt", "not one of .parquet, .csv, .csv.gz; it is not read")]
    taken = [take_in_lake(lake, day, as_of=DAYS[-1]) for day in DAYS]
    assert [intake.used for intake, _ in taken] == [96, 192, 192]
    assert [intake.rejected for intake, _ in taken] == [0, 0, 3]
    assert [intake.rows_in for intake, _ in taken] == [96, 192, 195]
    told = rejects_of(taken[2][0])
    assert told["source_file"].to_list() == ["intervals/c.csv", *3 * ["intervals/a.csv"]]
    assert told["source_row"].to_list() == [None, 289, 290, 291]
    assert reasons(taken[2][0])[1:] == [
        "interval_start is missing",
        "interval_start lies before 1970 or after 2100",
    ]


def test_a_file_is_read_once_until_it_changes(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    read: list[str] = []
    honest = any_day.rows_and_lacks
    monkeypatch.setattr(
        any_day, "rows_and_lacks", lambda file, how: (read.append(file.name), honest(file, how))[1]
    )
    put(root, "a.csv", days_of("a", DAYS))
    put(root, "b.csv", days_of("b", DAYS))
    open_lake(root).days()
    open_lake(root).days()
    assert read == ["intervals/a.csv", "intervals/b.csv"]
    put(root, "b.csv", days_of("b", DAYS), arrived=10)
    open_lake(root).days()
    assert read[2:] == ["intervals/b.csv"]
    (root / "lake.toml").write_text('[intervals]\nfiles = "any day"\nempty = ["-"]\n', encoding="utf-8")
    open_lake(root).days()
    assert len(read) == 5


@pytest.mark.parametrize("suffix", ["json", "parquet"])
def test_a_copy_that_a_killed_command_left_half_made_is_made_anew(
    root: Path, cache: Path, suffix: str
) -> None:
    put(root, "a.csv", days_of("a", DAYS))
    before = take_in_lake(open_lake(root), DAYS[1], as_of=DAYS[-1])[1]
    for path in cache.rglob(f"*.{suffix}"):
        if suffix == "json":
            path.write_text("{", encoding="utf-8")
        else:
            path.unlink()
    assert take_in_lake(open_lake(root), DAYS[1], as_of=DAYS[-1])[1].equals(before)


def test_a_file_that_grows_changes_its_new_day_only_whatever_order_files_come_in(root: Path) -> None:
    put(root, "a.csv", days_of("a", DAYS[:2]), arrived=3)
    put(root, "b.csv", days_of("b", DAYS[:2]), arrived=4)
    before = [open_lake(root).fingerprint(day) for day in DAYS]
    put(root, "a.csv", days_of("a", DAYS), arrived=6)
    put(root, "b.csv", days_of("b", DAYS), arrived=5)
    after = [open_lake(root).fingerprint(day) for day in DAYS]
    assert [now == was for now, was in zip(after, before, strict=True)] == [True, True, False]


def test_of_two_files_of_one_home_the_one_that_arrived_last_wins(root: Path) -> None:
    put(root, "z.csv", days_of("a", DAYS, l1_w=1.0), arrived=5)
    put(root, "a.csv", days_of("a", DAYS, l1_w=2.0), arrived=6)
    first = open_lake(root).fingerprint(DAYS[0])
    intake, used = take_in_lake(open_lake(root), DAYS[0], as_of=DAYS[-1])
    assert (intake.duplicate, used["l1_w"].unique().to_list()) == (96, [2.0])
    put(root, "z.csv", days_of("a", DAYS, l1_w=1.0), arrived=7)
    lake = open_lake(root)
    assert lake.fingerprint(DAYS[0]) != first
    assert take_in_lake(lake, DAYS[0], as_of=DAYS[-1])[1]["l1_w"].unique().to_list() == [1.0]


def test_the_newest_day_is_one_that_rows_reach_the_end_of(root: Path) -> None:
    put(root, "a.csv", days_of("a", DAYS).head(2 * 96 + 28))
    lake = open_lake(root)
    assert lake.newest_finished_day(datetime(2025, 7, 1, tzinfo=UTC)) == DAYS[1]
    assert lake.newest_finished_day(datetime(2025, 6, 2, 12, tzinfo=UTC)) == DAYS[0]
    assert lake.future_days(DAYS[0]) == DAYS[1:]


def test_without_a_cache_folder_a_lake_is_read_all_the_same(root: Path, cache: Path) -> None:
    cache.write_bytes(b"a file, not a folder")
    put(root, "a.csv", days_of("a", DAYS))
    intake, _ = take_in_lake(open_lake(root), DAYS[0], as_of=DAYS[-1])
    assert intake.used == 96


def test_a_lake_in_which_no_row_has_a_time_is_told_with_why(root: Path) -> None:
    put(root, "a.csv", b"site_id\na\n")
    with pytest.raises(InputError, match=r"a\.csv: the file has no column interval_start"):
        open_lake(root)


def test_old_copies_are_removed(root: Path, cache: Path) -> None:
    path = put(root, "a.csv", days_of("a", DAYS))
    open_lake(root).days()
    old = (datetime.now(UTC) - timedelta(days=3)).timestamp()
    for copy in cache.rglob("*.*"):
        os.utime(copy, (old, old))
    path.rename(path.with_name("b.csv"))
    open_lake(root).days()
    assert len(list(cache.rglob("*.parquet"))) == len(list(cache.rglob("*.json"))) == 1

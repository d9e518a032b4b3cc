"""Days of a few homes out of the store: the night's, and older ones that are there whole."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
from stored_nights import DAYS, night, three_days

from pipeline.features.day_store import Store
from pipeline.features.home_days import home_day_files, read_home_days, with_third_line

COLUMNS = ("covered_min", "l1_abs_wh")


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "store")


def test_days_older_than_the_nights_are_read_where_they_are_whole(tmp_path: Path, store: Store) -> None:
    done = night(three_days(tmp_path / "lake"), store)

    def days(homes: list[str], first: int = 0) -> list[tuple[str, int]]:
        files = home_day_files(done[2:], store, homes, from_on=DAYS[first], to_on=DAYS[-1])
        rows = read_home_days(files, homes, COLUMNS)
        assert rows.columns == ["site_id", "day", *COLUMNS]
        return [(home, (day - DAYS[0]).days) for home, day in rows.select("site_id", "day").rows()]

    assert days(["a"]) == [("a", 0), ("a", 1), ("a", 2)]
    assert days(["b", "a"], first=1) == [("a", 1), ("a", 2), ("b", 2)]
    assert days(["nobody"]) == []
    (lost,) = store.whole_files("site_day", DAYS[0], ["a"])
    lost.write_bytes(lost.read_bytes()[:-9])
    assert days(["a"]) == [("a", 1), ("a", 2)]
    lost.unlink()
    assert days(["a"]) == [("a", 1), ("a", 2)]


def test_an_older_day_in_two_versions_is_not_counted_twice(tmp_path: Path, store: Store) -> None:
    night(three_days(tmp_path / "lake"), store)
    folder = store.root / "cut" / f"date={DAYS[0]}"
    (cut,) = folder.iterdir()
    (folder / "cut-0123456789abcdef.json").write_bytes(cut.read_bytes())
    assert store.whole_files("site_day", DAYS[0], ["a"]) == []
    assert store.whole_files("site_day", DAYS[0] - timedelta(days=9), ["a"]) == []


def test_no_file_and_no_home_give_the_columns(tmp_path: Path) -> None:
    assert read_home_days([], ["a"], COLUMNS).columns == ["site_id", "day", *COLUMNS]
    assert read_home_days([tmp_path], [], COLUMNS).is_empty()


def test_a_third_line_stands_beside_the_days_of_its_home(tmp_path: Path) -> None:
    days = pl.DataFrame(
        {"site_id": ["a", "a", "b"], "day": [DAYS[0], DAYS[1], DAYS[0]], "l1_abs_wh": [1.0, 2.0, 3.0]}
    )
    rows = [
        ("a", DAYS[0], "23", 7.0),
        ("a", DAYS[0], "31", 8.0),
        ("a", DAYS[0], "sum", 9.0),
        ("z", DAYS[0], "23", 6.0),
    ]
    file = tmp_path / "lines.parquet"
    pl.DataFrame(rows, schema=["site_id", "day", "pair", "l2_abs_wh"], orient="row").write_parquet(file)
    third = with_third_line(days, [file], ["a", "b"])
    assert third.rows() == [("a", DAYS[0], 1.0, 7.0), ("a", DAYS[1], 2.0, None), ("b", DAYS[0], 3.0, None)]
    assert third.columns[-1] == "l3_abs_wh"
    assert with_third_line(days, [], ["a"]) is days

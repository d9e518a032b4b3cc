"""Days side by side: every row in its place, whichever files it comes from and however few are read at once."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest
from day_files import day_rows, home_days, june, many_days, put_days

from pipeline.core.sharding import Shard, between
from pipeline.features.aggregates import HomeDays
from pipeline.features.aggregates import days as rooms

NAN = float("nan")


def test_a_column_is_a_grid_of_days_and_homes(tmp_path: Path) -> None:
    days = home_days(
        tmp_path,
        {"site_id": "a", "day": 1, "n_row": 96, "pv_max_w": 10.5},
        {"site_id": "b", "day": 1, "n_row": 24},
        {"site_id": "b", "day": 3, "n_row": 23, "pv_max_w": 7.0},
    )
    read = days.columns(("n_row", "pv_max_w"))

    assert (days.homes.to_list(), days.days.to_list()) == (["a", "b"], [june(1), june(3)])
    assert days.is_there.tolist() == [[True, True], [False, True]]
    np.testing.assert_array_equal(read["n_row"], [[96, 24], [NAN, 23]])
    np.testing.assert_array_equal(read["pv_max_w"], [[10.5, NAN], [NAN, 7]])
    assert days.rows(read["n_row"]).tolist() == [96, 24, 23]  # a's day, then both of b's


def test_files_come_in_any_order_and_a_day_may_have_two(tmp_path: Path) -> None:
    days = many_days(7, 4, np.random.default_rng(1))
    one = HomeDays.of(put_days(tmp_path, days))
    paths = []
    for number, shard in enumerate(between(["H03"])):
        folder = tmp_path / str(number)
        folder.mkdir()
        paths += put_days(folder, shard.rows(days.lazy()).collect())
    other = HomeDays.of(paths[::-1])

    assert [file.line for file in other.files] == [0, 0, 1, 1, 2, 2, 3, 3]
    np.testing.assert_array_equal(one.columns(("s_l1",))["s_l1"], other.columns(("s_l1",))["s_l1"])


def test_homes_of_other_shards_are_left_out(tmp_path: Path) -> None:
    days = many_days(7, 4, np.random.default_rng(2))
    paths = put_days(tmp_path, days)
    whole = HomeDays.of(paths)
    part = HomeDays.of(paths, Shard("H02", "H05"))

    assert part.homes.to_list() == ["H02", "H03", "H04"]
    np.testing.assert_array_equal(part.columns(("s_l1",))["s_l1"], whole.columns(("s_l1",))["s_l1"][:, 2:5])
    walked = [rows["s_l1"].len() for _, _, rows in part.walk(("s_l1",))]
    assert walked == part.is_there.sum(axis=1).tolist()


def test_few_columns_and_files_at_once_read_the_same(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    names = ("n_row", "s_l1", "s_l2", "pv_max_w", "n_night")
    days = HomeDays.of(put_days(tmp_path, many_days(5, 6, np.random.default_rng(3))))
    read = days.columns(names)
    at_once = [read[name] for name in names]
    monkeypatch.setattr(rooms, "_NUMBERS_AT_ONCE", 2 * days.is_there.size)  # two grids; then a file or two
    read = days.columns(names)

    for name, grid in zip(names, at_once, strict=True):
        np.testing.assert_array_equal(read[name], grid)
    np.testing.assert_array_equal(read["n_row"], at_once[0])  # asked for again, it is read again


def test_a_file_is_known_by_its_name_alone(tmp_path: Path) -> None:
    """A folder with a pattern's letters in its name, and the day in it as a key, change nothing."""
    folder = tmp_path / "o[u]t*" / "date=2025-06-09"
    folder.mkdir(parents=True)
    days = home_days(folder, {"site_id": "a", "day": 1, "n_row": 3})

    assert days.days.to_list() == [june(1)]
    assert days.columns(("n_row",))["n_row"].tolist() == [[3]]


def test_nobody_has_no_days(tmp_path: Path) -> None:
    paths = put_days(tmp_path, day_rows({"site_id": "a", "day": 1}))
    empty = tmp_path / "empty.parquet"
    day_rows().write_parquet(empty)

    for days in (HomeDays.of(paths, Shard("b")), HomeDays.of([empty])):
        assert (days.homes.len(), days.days.len(), days.files) == (0, 0, ())
        assert days.columns(("n_row",))["n_row"].shape == (0, 0)
    assert HomeDays.of([empty, *paths]).homes.to_list() == ["a"]
    assert isinstance(days.homes, pl.Series)

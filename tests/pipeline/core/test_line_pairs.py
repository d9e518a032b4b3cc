"""A pair of lines can be looked at under a two-leg home's names."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from three_lines import Home, window_of

from pipeline.core.line_pairs import (
    LINE_COLUMNS,
    PAIR_COLUMNS,
    PAIRS,
    line_columns,
    of_line,
    pair_column,
    pair_home,
    pair_view,
    rows_of_pair,
    under_pair,
)

TWO = Home("two", legs=("l1", "l2"), volts=120.0, site={"service": "120/240"})


@pytest.fixture(scope="module")
def signals(tmp_path_factory: pytest.TempPathFactory) -> pl.DataFrame:
    return window_of([Home("three", on=(0, 2, 1)), TWO], 2, tmp_path_factory.mktemp("pairs")).signals


@pytest.mark.parametrize("pair", PAIRS)
def test_a_pair_has_a_two_leg_homes_columns(signals: pl.DataFrame, pair: str) -> None:
    view = pair_view(signals, pair)
    three, two = signals.to_dicts()
    row, other = view.to_dicts()

    assert view.columns == signals.select(~LINE_COLUMNS).columns
    for name in line_columns(view.columns):
        for leg, line in zip(("l1", "l2"), PAIRS[pair], strict=True):
            assert row[of_line(name, leg)] == three[of_line(name, line)], (name, leg)
    for name in PAIR_COLUMNS:
        assert row[name] == three[pair_column(name, pair)], name
    assert row["gain_sum"] == three["gain_sum"]
    assert (other["slope_l1"], other["leg_corr_night"]) == (
        (two["slope_l1"], two["leg_corr_night"]) if pair == "12" else (None, None)
    )
    assert other["site_id"] == "two"


def test_the_sum_is_a_one_line_home(signals: pl.DataFrame) -> None:
    row, three = pair_view(signals, "sum").row(0, named=True), signals.row(0, named=True)

    assert (row["slope_l1"], row["gain_l1"], row["night_l1_w"]) == (
        three["slope_sum"], three["gain_sum"], three["night_sum_w"],
    )  # fmt: skip
    assert row["slope_l1"] is not None
    assert {row[name] for name in row if "l2" in name} == {None}
    assert row["leg_corr_night"] is None


def test_a_fleet_of_two_leg_homes_has_pair_12_and_no_other(tmp_path: Path) -> None:
    two = window_of([TWO], 2, tmp_path).signals

    assert pair_view(two, "12").equals(two)
    empty = pair_view(two, "31").row(0, named=True)
    assert {empty[name] for name in (*PAIR_COLUMNS, "slope_l1", "slope_l2")} == {None}
    assert empty["gain_sum"] == two["gain_sum"][0]


def test_the_unsuffixed_columns_are_those_of_lines_1_and_2(signals: pl.DataFrame) -> None:
    assert pair_column("sag_l1", "12") == "sag_l1"
    assert pair_column("leak_l1", "12") == "leak_l1_12"
    assert {pair_column(name, pair) for name in PAIR_COLUMNS for pair in PAIRS} <= {*signals.columns}
    assert {of_line(name, "l3") for name in line_columns(signals.columns)} <= {*signals.columns}


@pytest.mark.parametrize("home", ["a", "a\n23", "23", " ", "a\n23\n x", ""])
def test_a_pairs_name_is_no_homes_and_gives_the_home_back(home: str) -> None:
    """No id ends with a line's end, as it is taken off where it stands around one."""
    frame = pl.DataFrame({"site_id": [home], "pair": ["23"]})

    named = under_pair(frame, "23")

    assert named["site_id"].equals(frame.select(pair_home(pl.col("pair")).alias("site_id"))["site_id"])
    assert named["site_id"][0] != named["site_id"][0].strip()
    assert rows_of_pair(named, "23").equals(frame)
    assert rows_of_pair(named, "31").is_empty()

"""A home with three lines has one row in site_signal: its pairs are what two-leg homes of these lines would have."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np
import polars as pl
import polars.selectors as cs
import pytest
from three_lines import FIRST, Home, day_rows, window_of

from pipeline.core.line_pairs import LINE_COLUMNS, PAIR_COLUMNS, PAIRS, line_columns, of_line, pair_column
from pipeline.core.sharding import between

DAYS = 5
US = {"volts": 120.0, "site": {"service": "120/208 three-phase"}}
CROSSED = Home("crossed", on=(0, 2, 1), **US)  # type: ignore[arg-type]
TWO = {"volts": 120.0, "site": {"service": "120/208"}}
BY_SHARE = ("gain_", "phase_", "sag_v_per_kw")  # what depends on which lines production feeds
BY_METER = ("meter_",)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("lines")


@pytest.fixture(scope="module")
def crossed(folder: Path) -> dict[str, object]:
    return window_of([CROSSED], DAYS, folder).signals.row(0, named=True)


@pytest.mark.parametrize("pair", PAIRS)
def test_a_pair_has_the_numbers_of_a_home_with_two_lines(
    tmp_path: Path, crossed: dict[str, object], pair: str
) -> None:
    legs = Home("legs", on=CROSSED.on, legs=PAIRS[pair], **TWO)  # type: ignore[arg-type]
    two = window_of([legs], DAYS, tmp_path).signals.row(0, named=True)
    lines = [name for name in line_columns(two) if not name.startswith((*BY_SHARE, *BY_METER))]

    assert two["line_count"] == 2
    for name in PAIR_COLUMNS:
        if name not in BY_SHARE:
            assert crossed[pair_column(name, pair)] == two[name], name
    of_both_pairs = ("leak", "lone", "gap", "drop")
    for name in lines:
        if not name.startswith(of_both_pairs):
            for leg, line in zip(("l1", "l2"), PAIRS[pair], strict=True):
                assert crossed[of_line(name, line)] == two[of_line(name, leg)], (name, line)
    assert len(lines) > 20


def test_the_whole_home_is_the_sum_of_its_lines(crossed: dict[str, object], tmp_path: Path) -> None:
    right = window_of([Home("right"), Home("turned", signs=(1.0, 1.0, -1.0))], DAYS, tmp_path).signals
    rows = {row["site_id"]: row for row in right.to_dicts()}

    assert rows["right"]["gain_sum"] == pytest.approx(1.0, abs=0.02)
    assert rows["turned"]["gain_sum"] == pytest.approx(1 / 3, abs=0.02)
    assert crossed["gain_sum"] == pytest.approx(0.0, abs=0.02)
    assert rows["right"]["meter_energy_ratio"] == pytest.approx(1.0, abs=1e-6)
    assert rows["right"]["night_sum_w"] > rows["right"]["night_l1_w"] + rows["right"]["night_l2_w"]
    assert all(row["has_probe"] and row["line_count"] == 3 for row in rows.values())


@pytest.mark.parametrize(
    ("fed", "shares"), [((0, 1, 2), [1 / 3] * 3), ((1,), [0, 1, 0]), ((0, 2), [0.5, 0, 0.5])]
)
def test_gains_are_of_the_lines_that_production_feeds(
    tmp_path: Path, fed: tuple[int, ...], shares: list[float]
) -> None:
    row = window_of([Home("a", fed=fed)], DAYS, tmp_path).signals.row(0, named=True)

    assert [row[f"pv_share_l{line}"] for line in (1, 2, 3)] == pytest.approx(shares)
    for line in range(3):
        gain, phase = row[f"gain_l{line + 1}"], row[f"phase_l{line + 1}_deg"]
        if line in fed:
            assert (gain, phase) == (pytest.approx(1.0, abs=0.04), pytest.approx(0.0, abs=1.0))
        else:
            assert (gain, phase) == (None, None)
    assert row["gain_sum"] == pytest.approx(1.0, abs=0.02)
    assert row["slope_expected"] == pytest.approx(-1 / len(fed))


def test_crossed_lines_turn_the_phase_by_the_angle_between_them(crossed: dict[str, object]) -> None:
    assert crossed["phase_l1_deg"] == pytest.approx(0.0, abs=1.0)
    assert crossed["phase_l2_deg"] == pytest.approx(-120.0, abs=1.0)
    assert crossed["phase_l3_deg"] == pytest.approx(120.0, abs=1.0)
    assert [crossed[f"gain_l{line}"] for line in (2, 3)] == pytest.approx([-0.5, -0.5], abs=0.02)


def test_production_that_was_added_back_is_taken_off(tmp_path: Path) -> None:
    added = Home("a", fed=(1,), site={"pv_added_back": True, "pv_on": "l2"})

    row = window_of([added], DAYS, tmp_path).signals.row(0, named=True)

    assert row["gain_l2"] == pytest.approx(2.0, abs=0.02)  # the readings here have nothing added
    assert row["slope_expected"] == 0.0


def test_what_one_line_shows_beside_another_is_the_larger_of_its_pairs(tmp_path: Path) -> None:
    """Two lines are dead without production: each is at zero while line 3 lives, which its pair with line 3 says."""
    dead = Home("a", signs=(0.0, 0.0, 1.0))

    row = window_of([dead], 2, tmp_path).signals.row(0, named=True)

    assert row["lone_zero_l1_share_31"] == 0.0  # of line 3, which stands first in this pair
    assert row["lone_zero_l2_share_31"] == row["lone_zero_l1_share"] > 0.98
    assert row["lone_zero_l1_share_23"] == row["lone_zero_l2_share"] > 0.98
    assert row["lone_zero_l1_share_12"] < 0.6
    assert row["gap_l1_share"] == row["gap_l2_share_31"] > row["gap_l1_share_12"]
    assert row["lone_zero_l3_share"] == 0.0


def test_homes_with_two_legs_are_the_same_beside_homes_with_three(tmp_path: Path) -> None:
    two = Home("two", legs=("l1", "l2"), **TWO)  # type: ignore[arg-type]
    alone = window_of([two], DAYS, tmp_path)
    mixed = window_of([CROSSED, two, Home("never", third_from=99)], DAYS, tmp_path)

    is_two = pl.col("site_id") == "two"
    own = mixed.signals.filter(is_two)
    assert own.select(alone.signals.columns).equals(alone.signals)
    assert mixed.daily.filter(is_two).select(alone.daily.columns).equals(alone.daily)
    assert all(column.null_count() == 1 for column in own.drop(alone.signals.columns))
    assert alone.signals.select(LINE_COLUMNS).columns == []
    assert not [name for name in alone.daily.columns if "l3" in name]
    assert mixed.signals["line_count"].to_list() == [3, 2, 2]


def test_the_table_is_the_same_however_the_fleet_is_cut(tmp_path: Path) -> None:
    homes = [Home("a", third_from=99), Home("b"), Home("c", fed=(2,)), Home("d", legs=("l1", "l2"), **TWO)]  # type: ignore[arg-type]
    whole = window_of(homes, 3, tmp_path)

    parts = [window_of(homes, 3, tmp_path, shard=shard) for shard in between(["b", "d"])]

    signals = pl.concat([part.signals for part in parts], how="diagonal_relaxed")
    assert signals.equals(whole.signals)
    daily = pl.concat([part.daily for part in parts], how="diagonal_relaxed")
    assert daily.equals(whole.daily)


def test_a_third_line_in_the_middle_of_the_window_speaks_from_its_first_day(tmp_path: Path) -> None:
    late = Home("a", third_from=3)

    row = window_of([late], DAYS, tmp_path).signals.row(0, named=True)
    whole = window_of([Home("a")], DAYS, tmp_path).signals.row(0, named=True)

    assert (row["line_count"], row["days"]) == (3, DAYS)
    assert row["night_l1_w"] == whole["night_l1_w"]
    assert row["night_l3_w"] != whole["night_l3_w"]
    assert [row[f"meter_l{line}"] for line in (1, 2, 3)] == pytest.approx([1.0] * 3, abs=1e-6)
    assert row["pv_share_l3"] == pytest.approx(1 / 3)


def test_only_the_days_of_its_span_speak_for_a_homes_pairs(tmp_path: Path) -> None:
    since = window_of([Home("a")], DAYS, tmp_path, visited={"a": 1}).signals.row(0, named=True)

    assert (since["from_on"], since["days"]) == (FIRST + timedelta(days=2), 3)
    read = np.concatenate([day_rows(Home("a"), day)["l3_w"] for day in (2, 3, 4)])
    assert since["l3_kwh_day"] == pytest.approx(float(np.abs(read).sum()) / 4 / 1000 / 3)


def test_a_change_on_the_third_line_is_found_and_names_it(tmp_path: Path) -> None:
    homes = [Home("a", turned_on=6), Home("b", drawn_as="b"), Home("c", legs=("l1", "l2"), **TWO)]  # type: ignore[arg-type]

    signals = window_of(homes, 12, tmp_path).signals

    changed, *others = signals.select(
        "site_id", "changed_on", "change_of", "change_told", "from_on", "gain_l3"
    ).to_dicts()
    assert changed["changed_on"] == changed["from_on"] == FIRST + timedelta(days=6)
    assert changed["change_of"] == "slope_l3"
    assert "L3" in changed["change_told"]
    assert changed["gain_l3"] == pytest.approx(-1.0, abs=0.05)
    assert [row["changed_on"] for row in others] == [None, None]


@pytest.mark.parametrize(
    ("volts", "declared", "service"),
    [
        (230.0, None, "230/400"), (120.0, None, "120/208 three-phase"), (230.0, "120/240", "230/400"),
        (120.0, "230/400", "230/400"),
    ],
)  # fmt: skip
def test_readings_of_three_lines_are_believed_before_the_site_record(
    tmp_path: Path, volts: float, declared: str | None, service: str
) -> None:
    row = window_of([Home("a", volts=volts, site={"service": declared})], 2, tmp_path).signals.row(
        0, named=True
    )

    assert (row["line_count"], row["service"]) == (3, service)


@pytest.mark.parametrize("fed", [(0, 1, 2), (1,), (0, 1)])
def test_a_home_whose_third_line_is_never_read_is_its_first_two(tmp_path: Path, fed: tuple[int, ...]) -> None:
    row = window_of([Home("a", fed=fed, third_from=99)], DAYS, tmp_path).signals.row(0, named=True)

    gains = [row["gain_l1"], row["gain_l2"]]
    assert (row["line_count"], row["service"]) == (2, "230/400")
    assert gains == [pytest.approx(1.0, abs=0.04) if line in fed else None for line in (0, 1)]


def test_a_channel_that_is_the_sum_of_all_lines_is_one_line(tmp_path: Path) -> None:
    summed = {"service": "230/400", "lines_summed": True}
    lacks = tuple(f"{line}_{unit}" for line in ("l2", "l3") for unit in ("w", "v", "var"))
    row = window_of([Home("a", fed=(0,), lacks=lacks, site=summed)], DAYS, tmp_path).signals.row(
        0, named=True
    )

    assert row["line_count"] == 1
    assert (row["gain_l1"], row["gain_sum"]) == pytest.approx((1.0, 1.0), abs=0.02)


def test_no_number_is_nan_or_infinite(tmp_path: Path) -> None:
    homes = [
        Home("a"),
        Home("b", signs=(0, 0, 0)),
        Home("c", lacks=("l1_w", "l3_v", "pv_w")),
        Home("d", third_from=1),
    ]

    numbers = window_of(homes, 2, tmp_path).signals.select(cs.float())

    assert (
        numbers.select(pl.all().is_infinite().any() | pl.all().is_nan().any()).row(0)
        == (False,) * numbers.width
    )

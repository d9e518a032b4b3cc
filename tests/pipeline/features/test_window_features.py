"""Days of statistics as one row a home, beside what the register says."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl
import pytest
from kernel_days import day_of, register
from lakes import DAY, rows

from pipeline.core import sql_runner
from pipeline.core.settings import load_settings
from pipeline.features.aggregates import HomeDays
from pipeline.features.window_features import site_fact, site_signals

SETTINGS = load_settings()


def test_what_the_evidence_reads_of_the_register() -> None:
    facts = site_fact(
        register(
            {
                "site_id": "a",
                "service": "120/208",
                "ct_sees_pv": True,
                "pv_added_back": True,
                "has_battery": True,
                "cts_per_leg": 2.0,
            },
            {"site_id": "b"},
            {"site_id": "c", "ct_sees_pv": False, "pv_added_back": True},
            {"site_id": "d", "pv_added_back": True},
        )
    )

    columns = ("service", "is_declared_upstream", "is_added_back", "has_battery", "cts_per_leg")
    assert facts.select(columns).rows() == [
        ("120/208", True, True, True, 2.0),
        ("120/240", None, False, False, None),
        # nothing is added back to a reading that carries no production
        ("120/240", False, False, False, None),
        ("120/240", None, True, False, None),
    ]


@pytest.fixture
def signals(tmp_path: Path) -> pl.DataFrame:
    """Homes a and b over two days; a speaks from the second on, c has no rows."""
    sites = register(
        *(
            {"site_id": home, "latitude": 39.7, "longitude": -105.0, "pv_kw": 7.0, "ct_sees_pv": True}
            for home in "abc"
        )
    )
    days = [DAY, date(2025, 6, 2)]
    con = sql_runner.connect(tmp_path, SETTINGS.engine)
    paths = []
    for day in days:
        held = pl.concat(
            [rows("a", day, l1_w=-300.0 if day == days[0] else 300.0), rows("b", day, l2_w=None)]
        )
        paths.append(tmp_path / f"{day}.parquet")
        day_of(held, sites, tmp_path, day)[0].write_parquet(paths[-1])
    span = pl.DataFrame(
        {"site_id": ["a", "b", "c"], "from_on": [days[1], days[0], days[0]], "to_on": [days[1]] * 3}
    )
    found = site_signals(con, HomeDays.of(paths), span, sites=sites, settings=SETTINGS)
    assert con.sql("SHOW TABLES").fetchall() == []
    con.close()
    return found


def test_homes_with_rows_have_signals_in_order(signals: pl.DataFrame) -> None:
    assert signals["site_id"].to_list() == ["a", "b"]
    assert signals["days"].to_list() == [1, 2]


def test_only_the_days_of_its_span_speak_for_a_home(signals: pl.DataFrame) -> None:
    assert signals["night_l1_w"].to_list() == [300, 300]
    assert signals["night_l1_negative_share"].to_list() == [0, 0]
    assert signals["coverage_share"].to_list() == [1, 1]


def test_without_a_ramp_there_is_no_gain_and_no_probe(signals: pl.DataFrame) -> None:
    assert signals["gain_l1"].to_list() == [None, None]
    assert signals["has_probe"].to_list() == [False, False]
    assert signals["expected_gain"].to_list() == [1.0, 1.0]


def test_what_needs_two_legs_is_null_on_one(signals: pl.DataFrame) -> None:
    one = signals.row(1, named=True)
    told = (
        "night_l2_w",
        "night_sum_w",
        "leg_corr_night",
        "zero_l2_share",
        "step_corr_night",
        "gain_l2",
        "l2_kwh_day",
        "gap_l1_sharpness",  # whether the home lives while L1 is at zero, only another leg can tell
        "gap_l2_sharpness",
        "floor_l2_drop_w",
        "floor_l2_soft_w",
        "sag_log_ratio",
        "sag_log_se",
    )
    assert {name: one[name] for name in told} == dict.fromkeys(told)


def test_nights_that_never_change_stand_on_a_hard_floor(signals: pl.DataFrame) -> None:
    """The second home's nights are all alike; of the first only the days since its change count."""
    floors = ("floor_l1_drop_w", "floor_l1_soft_w")

    assert signals.select(floors).rows() == [(0, 0), (0, 0)]


def test_no_number_is_nan_or_infinite(signals: pl.DataFrame) -> None:
    numbers = signals.select(pl.col(pl.Float64))
    assert (
        numbers.select(pl.all().is_nan().any() | pl.all().is_infinite().any()).row(0)
        == (False,) * numbers.width
    )

"""A home's days merged: counts add up, one wild night moves no median, only the days of the span speak."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl
import pytest
from day_files import SETTINGS, day_rows, home_days, june, many_days, put_days, span_of

from pipeline.core import sql_runner
from pipeline.core.sharding import Shard
from pipeline.features.aggregates import HomeDays, site_window
from pipeline.features.aggregates import days as rooms
from pipeline.features.aggregates.slope import SERIES
from pipeline.features.aggregates.window import RANKED, SUMS

ALL_JUNE = (1, 30)


def merged(folder: Path, span: pl.DataFrame, *rows: dict[str, Any]) -> list[dict[str, Any]]:
    return site_window(home_days(folder, *rows), span, SETTINGS.feature).to_dicts()


def some(row: dict[str, Any], **wanted: Any) -> dict[str, Any]:
    return {name: row[name] for name in wanted}


def test_sums_add_and_medians_hold(tmp_path: Path) -> None:
    """The day before a's span (it was put right since) says nothing; b has no span, so no row."""
    (row,) = merged(
        tmp_path,
        span_of(a=(2, 4), nobody=ALL_JUNE),
        {"site_id": "a", "day": 1, "n_row": 96, "n_night": 30, "l1_night_p50": -500, "d11_n": 9, "pv_max_w": 9999},
        {
            "site_id": "a", "day": 2, "n_row": 96, "n_night": 30, "l1_night_p50": 100, "l1_night_p95": 200,
            "l1_night_p05": 50, "d11_n": 10, "length_min": 15, "covered_min": 1440, "pv_max_w": 4000,
        },
        {
            "site_id": "a", "day": 3, "n_row": 90, "n_night": 0, "d11_n": 20, "length_min": 15, "covered_min": 1350,
            "pv_max_w": 5000,
        },
        {
            "site_id": "a", "day": 4, "n_row": 96, "n_night": 32, "l1_night_p50": 900, "l1_night_p95": 1200,
            "l1_night_p05": 60, "length_min": 15, "covered_min": 1440, "pv_max_w": 1000,
        },
        {"site_id": "b", "day": 4, "n_row": 24, "n_night": 8},
    )  # fmt: skip

    wanted = {
        "site_id": "a", "days": 3, "nights": 2, "n_row": 282, "n_night": 62, "d11_n": 30, "covered_min": 4230,
        "length_min": 15, "l1_night_p50": 500, "l1_night_top": pytest.approx(1100),
        "l1_night_wander": pytest.approx(8), "pv_max_w": 5000, "l2_night_p50": None, "d22_n": None, "slope_days": 0,
    }  # fmt: skip
    assert some(row, **wanted) == wanted


def test_a_day_that_is_not_over_is_as_long_as_its_rows(tmp_path: Path) -> None:
    days = [
        {"site_id": "a", "day": day, "covered_min": covered}
        for day, covered in ((1, 1440), (2, 700), (3, 360))
    ]
    long_days = [
        site_window(home_days(tmp_path, *days), span_of(a=ALL_JUNE), SETTINGS.feature, running=running)[
            "long_days"
        ][0]
        for running in (None, june(3), june(9))
    ]
    assert long_days == [3, 2.25, 3]


def test_the_floor_of_the_nights(tmp_path: Path) -> None:
    """Leg 1 stands on 50 W but for two nights of 10 W: on one night in ten it falls 40 W short, and each night's 5th
    percentile lies 2 W above its lowest, so the floor is hard. Leg 2's lowest is another each night, 20 to 120 W
    (median 70, tenth percentile 30), 30 W under the 5th percentile. A day without a night says nothing of either.
    """
    least = {1: 50, 2: 50, 3: 10, 4: 50, 5: 50, 7: 50, 8: 50, 9: 50, 10: 10, 11: 50, 12: 50}
    nights = [
        {
            "site_id": "a", "day": day, "n_night": 30, "l1_night_min": low, "l1_night_p05": low + 2,
            "l2_night_min": 20 + 10 * at, "l2_night_p05": 50 + 10 * at,
            "leak_least_l1": {0: 0.1, 1: 0.2, 2: 0.3}.get(at),
        }
        for at, (day, low) in enumerate(least.items())
    ]  # fmt: skip
    by_day, other = merged(
        tmp_path,
        span_of(a=ALL_JUNE, b=ALL_JUNE),
        *nights,
        {"site_id": "a", "day": 6, "n_night": 0},
        {"site_id": "b", "day": 1, "n_night": 0},
    )

    floors = {
        "nights": 11, "l1_floor_drop": 40, "l1_floor_soft": 2, "l2_floor_drop": 40, "l2_floor_soft": 30,
        "leak_least_l1": 0.2, "leak_least_l2": None,
    }  # fmt: skip
    assert some(by_day, **floors) == floors
    assert some(other, **floors) == dict.fromkeys(floors) | {"nights": 0}


def test_pairs_and_leaks_count_their_days(tmp_path: Path) -> None:
    """The spread of daily ratios is that between the 16th and the 84th percentile."""
    (row,) = merged(
        tmp_path,
        span_of(a=ALL_JUNE, empty=ALL_JUNE),
        {"site_id": "a", "day": 1, "n_pair": 2, "pair_log_ratio": -0.1, "leak_l1": 0.3, "n_leak_l1": 4},
        {"site_id": "a", "day": 2, "n_pair": 3, "pair_log_ratio": 0.0, "n_leak_l1": 0},
        {"site_id": "a", "day": 3, "n_pair": 5, "pair_log_ratio": 0.1, "leak_l1": 0.1, "n_leak_l1": 2},
        {"site_id": "a", "day": 4, "n_pair": 0, "n_leak_l1": 0},
    )

    wanted = {
        "n_pair": 10, "pair_days": 3, "pair_log_ratio": 0, "pair_log_sd": pytest.approx(0.136), "n_leak_l1": 6,
        "leak_l1": pytest.approx(0.2), "leak_l1_sd": pytest.approx(0.136), "leak_l1_days": 2, "leak_l2": None,
        "leak_l2_days": 0,
    }  # fmt: skip
    assert some(row, **wanted) == wanted


def drawn(folder: Path) -> tuple[list[Path], pl.DataFrame, pl.DataFrame]:
    """(files, spans, rows within them) of days drawn at random; three homes speak from a day of their own on."""
    days = many_days(6, 13, np.random.default_rng(5))
    span = span_of(H00=(1, 30), H01=(4, 30), H02=(13, 13), H03=(1, 9), H04=(1, 30), H05=(5, 12))
    speaking = days.join(span, on="site_id").filter(pl.col("day").is_between("from_on", "to_on"))
    return put_days(folder, days), span, speaking


def test_merged_days_are_what_the_database_makes_of_them(tmp_path: Path) -> None:
    paths, span, speaking = drawn(tmp_path)
    found = site_window(HomeDays.of(paths), span, SETTINGS.feature)

    con = sql_runner.connect(tmp_path, SETTINGS.engine)
    con.register("speaking", speaking.to_arrow())
    day = con.table("speaking")
    for name in SUMS:
        close(found, name, day.aggregate(f"site_id, sum({name})::DOUBLE AS wanted"))
    told = {
        "length_min": "median(length_min)", "pv_max_w": "max(pv_max_w)", "days": "count(*)",
        "nights": "count(*) FILTER (n_night > 0)", "sum_night_p05": "median(sum_night_p05)",
        "sum_night_top": "quantile_cont(sum_night_p95, 0.9)", "pair_days": "count(pair_log_ratio)",
        "pair_log_sd": "quantile_cont(pair_log_ratio, 0.84) - quantile_cont(pair_log_ratio, 0.16)",
        "l1_night_wander": "quantile_cont(l1_night_p05, 0.9) - quantile_cont(l1_night_p05, 0.1)",
        "l2_floor_drop": "median(l2_night_min) - quantile_cont(l2_night_min, 0.1)",
        "l2_floor_soft": "median(l2_night_p05 - l2_night_min)", "leak_l2": "median(leak_l2)",
        "l1_dark_size": "median(l1_dark_size)", "leak_least_l1": "median(leak_least_l1)",
    }  # fmt: skip
    for name, formula in told.items():
        close(found, name, day.aggregate(f"site_id, ({formula})::DOUBLE AS wanted"))
    con.close()


def close(found: pl.DataFrame, name: str, wanted: Any) -> None:
    pairs = found.select("site_id", name).join(wanted.pl(), on="site_id").rows()
    assert len(pairs) == 6
    assert [value for _, value, _ in pairs] == [
        None if want is None else pytest.approx(want, rel=1e-12, abs=1e-12) for _, _, want in pairs
    ], name


def test_a_home_comes_to_the_same_bytes_whoever_is_merged_with_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    paths, span, _ = drawn(tmp_path)
    whole = site_window(HomeDays.of(paths), span, SETTINGS.feature)
    monkeypatch.setattr(rooms, "_NUMBERS_AT_ONCE", 100)
    for home in whole["site_id"]:
        alone = site_window(HomeDays.of(paths[::-1], Shard(home, f"{home}~")), span, SETTINGS.feature)
        assert alone.equals(whole.filter(pl.col("site_id") == home))


def test_nobody_has_no_window(tmp_path: Path) -> None:
    day_rows().write_parquet(tmp_path / "empty.parquet")
    none = site_window(HomeDays.of([tmp_path / "empty.parquet"]), span_of(a=ALL_JUNE), SETTINGS.feature)
    one = site_window(home_days(tmp_path, {"site_id": "a", "day": 1}), span_of(a=ALL_JUNE), SETTINGS.feature)

    assert (none.height, one.height) == (0, 1)
    assert none.schema == one.schema
    assert one["days"].to_list() == [1]
    assert june(1) not in one.row(0)


def test_what_is_merged_is_what_the_features_read() -> None:
    """No column is unpacked for nothing."""
    feature, fit = (
        re.sub(r"--[^\n]*", "", sql_runner.sql_text(name)) for name in ("site_feature", "site_window_fit")
    )
    read = set(re.findall(r"\bw\.(\w+)", feature)) | set(re.findall(r"\b(?:vd|nm)_\w+", fit))

    assert set(SUMS) - read == set()
    assert len(SUMS) == len(set(SUMS))
    assert len(RANKED) == len(set(RANKED))
    slopes = {f"{name}{end}" for name in SERIES.values() for end in ("", "_se")}
    assert slopes - read == set()

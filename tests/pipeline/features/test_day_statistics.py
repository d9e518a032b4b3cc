"""One day of intervals as one row a home."""

from __future__ import annotations

import math
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from day_oracle import TABLES, sql_text
from kernel_days import DENVER, day_of, register
from lakes import DAY, rows

from pipeline.core import sql_runner
from pipeline.core.settings import load_settings
from pipeline.features.day_statistics import day_params, site_sky

SETTINGS = load_settings()


def test_the_suns_lines_are_given_as_sines() -> None:
    params = day_params(SETTINGS.day, DAY)

    assert params["day"] == DAY
    assert params["dark_sin"] == pytest.approx(math.sin(math.radians(SETTINGS.day.dark_deg)))
    assert params["sun_sin"] == pytest.approx(math.sin(math.radians(SETTINGS.day.sun_deg)))
    needed = set().union(
        *(sql_runner.parameter_names(sql_text(table)) for table in (*TABLES, "site_day", "site_hour"))
    )
    assert needed <= set(params)


def test_a_home_under_the_sky() -> None:
    sky = site_sky(
        register(
            {**DENVER, "ct_sees_pv": True},
            {"site_id": "b"},
            {"site_id": "c", "timezone": "America/Denver", "pv_kw": 2.0, "ct_sees_pv": False},
        ),
        SETTINGS.day,
    )

    placed, unplaced, by_zone = sky.to_dicts()
    assert sky["site_key"].to_list() == [0, 1, 2]
    assert (placed["sin_lat"], placed["cos_lat"]) == pytest.approx(
        (math.sin(math.radians(39.7)), math.cos(math.radians(39.7)))
    )
    assert placed["lon_rad"] == pytest.approx(math.radians(-105))
    assert placed["pv_quiet_w"] == pytest.approx(
        max(SETTINGS.day.pv_quiet_w, 10_000 * SETTINGS.day.pv_quiet_share)
    )
    assert placed["ramp_w"] == pytest.approx(max(SETTINGS.day.ramp_min_w, 10_000 * SETTINGS.day.ramp_share))
    assert (unplaced["sin_lat"], unplaced["cos_lat"], unplaced["lon_rad"]) == (None, None, None)
    assert unplaced["pv_quiet_w"] == SETTINGS.day.pv_quiet_w
    assert by_zone["lon_rad"] == pytest.approx(math.radians(-105))
    assert sky["is_load_side"].to_list() == [False, False, True]


@pytest.mark.parametrize(
    ("fact", "other"),
    [
        ("latitude", 40.0),
        ("longitude", -104.0),
        ("pv_kw", 9.0),
        ("service", "single"),
        ("service_amps", 100.0),
        ("ct_sees_pv", False),
        ("lines_summed", True),
    ],
)
def test_the_register_key_is_of_the_facts_a_day_depends_on(fact: str, other: object) -> None:
    def key(**changed: object) -> str:
        return site_sky(register({**DENVER, **changed}), SETTINGS.day)["register_key"][0]

    assert key() == key(area="elsewhere", crew_id="c9", cts_per_leg=2.0, lines_summed=False)
    assert key() != key(**{fact: other})


def test_a_constant_day_is_its_constant(tmp_path: Path) -> None:
    site_day, site_hour = day_of(rows("a"), register(DENVER), tmp_path, DAY)

    row = site_day.row(0, named=True)
    assert (row["site_id"], row["day"], row["n_row"], row["length_min"], row["covered_min"]) == (
        "a",
        DAY,
        96,
        15,
        1440,
    )
    assert (row["l1_night_p05"], row["l1_night_p50"], row["l2_night_p95"], row["sum_night_p50"]) == (
        300,
        300,
        200,
        500,
    )
    assert (row["l1_night_min"], row["l2_night_min"]) == (300, 200)
    assert row["l1_abs_wh"] == pytest.approx(300 * 24)
    assert row["n_night"] == row["n_dark"] > 20
    assert (row["d11_n"], row["d11_d"], row["s_n"], row["s_l1"]) == (0, 0, None, None)
    assert site_hour.height == 24
    assert site_hour["l1_w"].to_list() == [300.0] * 24


def test_a_right_upstream_home_answers_pv_by_half_a_leg(tmp_path: Path) -> None:
    """Clouds over a base load that doesn't move: every ramp says -0.5 a leg.

    Clouds that jump from row to row turn round within a ramp, and such ramps don't count: about half are left.
    """
    rng = np.random.default_rng(2)
    starts = [datetime.combine(DAY, datetime.min.time()) + timedelta(minutes=15 * at) for at in range(96)]
    pv = np.where(
        (np.arange(96) > 55) & (np.arange(96) < 90), rng.uniform(500, 6000, 96), 0.0
    )  # Denver's day in UTC
    frame = pl.DataFrame(
        {"site_id": "a", "interval_start": pl.Series(starts, dtype=pl.Datetime("us")), "pv_w": pv}
    )
    frame = frame.with_columns(l1_w=300 - pl.col("pv_w") / 2, l2_w=200 - pl.col("pv_w") / 2)

    row = day_of(frame, register(DENVER), tmp_path, DAY)[0].row(0, named=True)

    assert (row["s_l1"], row["s_l2"], row["s_sum"]) == pytest.approx((-0.5, -0.5, -1.0))
    assert row["s_l1_se"] == pytest.approx(0)
    assert row["s_n"] > 12
    assert row["d1p_d"] / row["dpp_d"] == pytest.approx(-0.5)
    assert row["pv_max_w"] == pytest.approx(pv.max())
    assert row["l1_night_p50"] == pytest.approx(300)


@pytest.mark.parametrize(("sees_pv", "is_night"), [(True, False), (None, False), (False, True)])
def test_a_battery_at_work_ends_the_night_only_where_a_clamp_may_see_it(
    sees_pv: bool | None, is_night: bool, tmp_path: Path
) -> None:
    """At the loads the battery's power is in no reading, so the nights still tell of the home."""
    at_work = rows("a").with_columns(battery_w=pl.lit(-2000.0))

    row = day_of(at_work, register({**DENVER, "ct_sees_pv": sees_pv}), tmp_path, DAY)[0].row(0, named=True)

    assert (row["n_night"] == row["n_dark"] > 20) == is_night
    assert (row["n_night"] == 0) == (not is_night)


def test_each_home_has_its_own_row_and_strangers_none(tmp_path: Path) -> None:
    both = pl.concat([rows("b", l1_w=100.0), rows("a", minutes=60), rows("stranger")])
    site_day, site_hour = day_of(both, register(DENVER, {**DENVER, "site_id": "b"}), tmp_path, DAY)

    assert site_day.select("site_id", "n_row", "length_min").rows() == [("a", 24, 60.0), ("b", 96, 15.0)]
    assert site_hour["site_id"].unique(maintain_order=True).to_list() == ["a", "b"]


def test_a_single_line_home_leaves_the_second_leg_empty(tmp_path: Path) -> None:
    row = day_of(rows("a", l2_w=None), register({**DENVER, "service": "single"}), tmp_path, DAY)[0].row(
        0, named=True
    )

    assert row["n_l2"] == 0
    assert [row[name] for name in ("l2_night_p50", "d22_n", "l2_night_w", "s_l2", "pair_log_ratio")] == [
        None
    ] * 5
    assert row["l1_night_p50"] == 300


def test_a_day_without_rows_is_empty_and_typed(tmp_path: Path) -> None:
    full, _ = day_of(rows("a"), register(DENVER), tmp_path, DAY)
    empty, hours = day_of(rows("a").clear(), register(DENVER), tmp_path, DAY)

    assert empty.height == hours.height == 0
    assert empty.schema == full.schema

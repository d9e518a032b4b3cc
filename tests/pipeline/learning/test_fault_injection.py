"""A real home's readings become a circuit and come back; with a fault in it they are what its CTs would say."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest

from pipeline.core.contract import MEASURES, Site
from pipeline.core.settings import load_settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.cts import measure
from pipeline.learning.fault_injection import CLAMPED, RealHome, inject, report, restore

OWN = load_settings().own_fleet
SITE: dict[str, Any] = {
    **dict.fromkeys(Site.column_names()),
    "site_id": "a",
    "service": "120/240",
    "ct_sees_pv": True,
    "cts_per_leg": 1,
    "ct_location": "service_entrance",
}


def readings(days: int = 4, *, gap: bool = True, **absent: None) -> pl.DataFrame:
    """A home of quarter hours upstream: a base, appliances of one leg, a heater on both, the sun by day."""
    rng = np.random.default_rng(3)
    size = 96 * days
    hour = np.arange(size) / 4 % 24
    pv = np.round(4000 * np.maximum(np.sin((hour - 6) / 12 * np.pi), 0) * rng.uniform(0.4, 1, size))
    heater = 1500.0 * (rng.random(size) < 0.2)
    values = {
        "l1_w": np.round(180 + 900 * (rng.random(size) < 0.2) + heater - pv / 2),
        "l2_w": np.round(120 + heater - pv / 2 + rng.normal(0, 8, size)),
        "pv_w": pv,
        "l1_v": 120 + rng.normal(0, 0.6, size),
        "l2_v": 121 + rng.normal(0, 0.6, size),
        "l1_var": np.round(40 + rng.normal(0, 5, size)),
        "l2_var": np.round(30 + rng.normal(0, 5, size)),
        "battery_w": np.where(hour > 18, 400.0, 0.0),
        "import_wh": np.full(size, 50.0),
        "export_wh": np.full(size, 0.0),
    }
    start = [datetime(2026, 5, 1) + timedelta(minutes=15 * at) for at in range(size)]
    frame = pl.DataFrame({"site_id": ["a"] * size, "interval_start": start, **values}).with_columns(
        pl.lit(None, dtype=pl.Float64).alias(name) for name in absent
    )
    frame = frame.with_columns(
        pl.when(pl.int_range(pl.len()) == 7).then(None).otherwise(pl.col(name)).alias(name)
        for name in ("l1_w", "l1_var")
    )
    return frame.filter(~pl.int_range(pl.len()).is_between(40, 60)) if gap else frame


def home(rows: pl.DataFrame | None = None, **site: Any) -> RealHome:
    found = restore(
        readings() if rows is None else rows, {**SITE, **site}, np.random.default_rng(1), settings=OWN
    )
    assert found is not None
    return found


def column(rows: pl.DataFrame, name: str) -> np.ndarray:
    return rows[name].fill_null(np.nan).to_numpy()


ALL_ABSENT = dict.fromkeys(("l1_v", "l2_v", "l1_var", "l2_var", "battery_w"))
HOMES = {
    "upstream": ({}, {}),
    "at the loads": ({}, {"ct_sees_pv": False}),
    "120/208": ({}, {"service": "120/208"}),
    "120/208, watts alone": (ALL_ABSENT, {"service": "120/208"}),
    "single": ({**ALL_ABSENT, "l2_w": None}, {"service": "single"}),
    "two CTs a leg": ({}, {"cts_per_leg": 2}),
    "two bundles a leg": ({}, {"cts_per_leg": 2, "ct_sees_pv": False}),
    "production added back": (ALL_ABSENT, {"pv_added_back": True}),
    "no production": ({"pv_w": None}, {}),
}


@pytest.mark.parametrize(("absent", "site"), HOMES.values(), ids=HOMES)
def test_without_a_fault_the_readings_come_back(absent: dict[str, None], site: dict[str, Any]) -> None:
    rows = readings(**absent)
    whole = home(rows, **site)

    back = report(whole, measure(whole.circuit, whole.wiring))

    assert back.columns == rows.columns
    for name in ("site_id", "interval_start", *MEASURES):
        if name in MEASURES:
            np.testing.assert_allclose(column(back, name), column(rows, name), atol=1e-3, err_msg=name)
        else:
            assert back[name].equals(rows[name])


def test_clipped_production_added_back_loses_nothing_of_a_sound_home() -> None:
    rows = readings(gap=False, **ALL_ABSENT).with_columns(pl.col("l1_w", "l2_w").abs())
    places = []
    for seed in range(8):
        found = restore(rows, {**SITE, "pv_added_back": True}, np.random.default_rng(seed), settings=OWN)
        assert found is not None
        places.append(found.wiring.is_clipped)
        back = report(found, measure(found.circuit, found.wiring))
        np.testing.assert_allclose(column(back, "l1_w"), column(rows, "l1_w"), atol=1e-3)
    assert set(places) == {True, False}


def test_a_turned_clamp_turns_the_leg_and_nothing_else() -> None:
    rows = readings()
    done = inject(home(rows), CATALOGUE["reversed"], "l1", rng=np.random.default_rng(2))

    np.testing.assert_allclose(column(done.rows, "l1_w"), -column(rows, "l1_w"), atol=1e-3)
    np.testing.assert_allclose(column(done.rows, "l1_var"), -column(rows, "l1_var"), atol=1e-3)
    for name in set(rows.columns) - {"l1_w", "l1_var"}:
        assert done.rows[name].equals(rows[name]), name  # rounded as the source does
    assert done.severity == "sign turned"


def test_crossed_legs_show_the_other_legs_load_turned() -> None:
    rows = readings(**ALL_ABSENT)
    done = inject(home(rows), CATALOGUE["legs_crossed"], "both", rng=np.random.default_rng(2))
    at = 7  # nobody knows what leg 1 carried here, so channel 2 is empty as well
    told = np.arange(rows.height) != at

    np.testing.assert_allclose(column(done.rows, "l1_w")[told], -column(rows, "l2_w")[told], atol=1e-3)
    assert done.rows["l2_w"][at] is None


def test_added_back_and_clipped_a_turned_clamp_is_dead_at_night_and_alive_at_noon() -> None:
    rows = readings(gap=False, **ALL_ABSENT).with_columns(l1_w=pl.lit(203.0), l2_w=pl.lit(151.0))
    clipped = next(
        one
        for seed in range(20)
        if (one := restore(rows, {**SITE, "pv_added_back": True}, np.random.default_rng(seed), settings=OWN))
        and one.wiring.is_clipped
    )
    done = inject(clipped, CATALOGUE["reversed"], "l1", rng=np.random.default_rng(2)).rows

    # raw L - S/2, turned, plus S/2 added back: S - L
    np.testing.assert_allclose(column(done, "l1_w"), np.maximum(column(rows, "pv_w") - 203, 0), atol=1e-3)


def test_a_fault_that_starts_later_leaves_the_days_before() -> None:
    rows = readings(gap=False)
    done = inject(home(rows), CATALOGUE["dead"], "l2", rng=np.random.default_rng(2), onset_share=0.5)
    half = rows.height // 2

    np.testing.assert_allclose(column(done.rows, "l2_w")[:half], column(rows, "l2_w")[:half], atol=1e-3)
    assert np.abs(column(done.rows, "l2_w")[half:]).max() < 40


def test_a_wrong_record_changes_the_register_and_no_reading() -> None:
    rows = readings()
    places = set()
    for seed in range(12):
        done = inject(
            home(rows), CATALOGUE["wrong_scope"], "both", rng=np.random.default_rng(seed), onset_share=0.5
        )
        assert done.rows.drop(CLAMPED).equals(rows.drop(CLAMPED))
        np.testing.assert_allclose(column(done.rows, "l1_w"), column(rows, "l1_w"), atol=1e-3)
        assert done.site["ct_sees_pv"] is False
        places.add(done.site["ct_location"])
    assert places == {"service_entrance", "load_conductors"}


@pytest.mark.parametrize("name", CATALOGUE)
def test_every_fault_that_fits_keeps_rows_gaps_and_empty_values(name: str) -> None:
    rows = readings()
    whole = home(rows, cts_per_leg=2, ct_sees_pv=False)
    fault = CATALOGUE[name]
    assert fault.fits(whole.wiring, whole.circuit)

    done = inject(whole, fault, fault.legs_of(2)[0], rng=np.random.default_rng(5))

    assert done.rows.select("site_id", "interval_start").equals(rows.select("site_id", "interval_start"))
    assert done.rows.schema == rows.schema
    assert done.rows["l1_w"][7] is None
    assert not done.rows.equals(rows) or done.site != whole.site


def test_readings_keep_the_sources_rounding() -> None:
    whole = home(readings().with_columns((pl.col("l1_w", "l2_w") / 10).round() * 10))
    done = inject(whole, CATALOGUE["loose_core"], "l1", rng=np.random.default_rng(5))

    assert (done.rows["l1_w"].drop_nulls() % 10).abs().max() == 0
    assert (done.rows["pv_w"].drop_nulls() % 1).abs().max() == 0


def test_a_lost_bundle_is_not_a_constant_share() -> None:
    """Appliances are in one bundle or the other: what is left of the leg changes with them."""
    whole = home(cts_per_leg=2, ct_sees_pv=False)
    share = np.abs(whole.circuit.load_a) / np.maximum(np.abs(whole.circuit.load), 1e-9)

    assert np.nanmin(share) >= 0
    assert np.nanmax(share) <= 1 + 1e-9
    assert np.nanstd(share) > 0.05


@pytest.mark.parametrize(
    "rows",
    [readings()[:1], pl.concat([readings()[:50], readings()[49:]])],
    ids=["one row", "two rows at once"],
)
def test_a_home_without_a_grid_is_left_out(rows: pl.DataFrame) -> None:
    assert restore(rows, SITE, np.random.default_rng(1), settings=OWN) is None


def test_a_home_of_unknown_position_is_left_out() -> None:
    assert restore(readings(), {**SITE, "ct_sees_pv": None}, np.random.default_rng(1), settings=OWN) is None

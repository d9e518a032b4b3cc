"""A row as the CTs gave it, and what both legs must sum to by the utility's meter."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.correction.raw_readings import with_raw

ROW = {
    "site_id": "H1", "l1_w": 700.0, "l2_w": 100.0, "pv_w": 1000.0, "battery_w": 200.0, "import_wh": 0.0,
    "export_wh": 100.0, "service": "120/240", "is_upstream": True, "is_added_back": False, "has_battery": False,
    "minutes": 15.0,
}  # fmt: skip


def raw(**values: object) -> dict[str, object]:
    kinds = pl.DataFrame([ROW]).schema
    return with_raw(pl.DataFrame([ROW | values], schema=kinds)).row(0, named=True)


@pytest.mark.parametrize(
    ("service", "added", "legs"), [("120/240", 0.5, (200.0, -400.0)), ("single", 1.0, (-300.0, -900.0))]
)
def test_production_that_the_source_added_is_taken_out(
    service: str, added: float, legs: tuple[float, float]
) -> None:
    row = raw(is_added_back=True, service=service)
    assert (row["added"], row["raw_l1"], row["raw_l2"]) == (added, *legs)


def test_upstream_the_legs_sum_to_the_meters_net_power_at_the_loads_to_the_load() -> None:
    assert raw()["metered_sum"] == -400.0
    assert raw(is_upstream=False)["metered_sum"] == -400.0 + 1000.0 + 200.0


def test_what_is_not_known_makes_the_sum_unknown() -> None:
    assert raw(import_wh=None)["metered_sum"] is None
    assert raw(is_upstream=None)["metered_sum"] is None
    assert raw(is_upstream=False, has_battery=True, battery_w=None)["metered_sum"] is None
    assert raw(has_battery=True, battery_w=None)["seen"] is None


def test_an_exact_zero_may_have_been_cut_off_where_production_is_added_back() -> None:
    assert raw(is_added_back=True, l1_w=0.0)["is_cut_l1"]
    assert not raw(l1_w=0.0)["is_cut_l1"]

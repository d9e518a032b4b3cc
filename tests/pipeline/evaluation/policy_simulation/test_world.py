"""The world holds each home as installed and right, and what the difference misreports hour by hour."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.evaluation.policy_simulation.world import WRONG, World, make_world, wrong_hours
from pipeline.simulate.counterfactual import twin_home
from pipeline.simulate.spec import FleetSpec

SPEC = FleetSpec(3, 2, 60, 1, fault_share=0.0)


def test_what_is_misreported_is_the_difference_of_both_channels() -> None:
    twin = twin_home(SPEC, 0)
    off = replace(
        twin,
        installed=twin.right.with_columns(l1_w=pl.col("l1_w") + 300.0, l2_w=pl.col("l2_w") - 200.0),
    )

    hours = wrong_hours(off, 60)

    assert hours.schema == WRONG
    assert hours["hour_start"].to_list() == twin.right["interval_start"].dt.replace_time_zone(None).to_list()
    assert hours["wrong_kwh"].to_list() == pytest.approx([0.5] * twin.right.height)


def test_a_row_that_came_twice_counts_once_and_one_that_never_came_not_at_all() -> None:
    twin = twin_home(SPEC, 0)
    off = twin.right.with_columns(l1_w=pl.col("l1_w") + 1000.0)
    gappy = pl.concat([off[:5], off[4:5], off[10:]])

    hours = wrong_hours(replace(twin, installed=gappy), 60)

    assert hours.height == twin.right.height - 5
    assert hours["wrong_kwh"].sum() == pytest.approx(hours.height)


def test_a_wrong_record_misreports_the_production_that_is_added_or_left_out() -> None:
    twin = twin_home(SPEC, 0)
    declared = {**twin.site, "ct_sees_pv": not twin.site_right["ct_sees_pv"]}

    hours = wrong_hours(replace(twin, site=declared), 60)

    assert hours["wrong_kwh"].sum() == pytest.approx(twin.right["pv_w"].abs().sum() / 1000)


def test_nothing_is_misreported_before_a_fault_begins(world: World) -> None:
    begun = world.wrong.join(world.homes.select("site_id", "fault", "began_at"), on="site_id")
    assert begun.filter(pl.col("fault") == "").is_empty()
    later = begun.filter(pl.col("began_at").is_not_null())
    assert later["site_id"].n_unique() == 3
    assert (later["hour_start"] > later["began_at"] - timedelta(hours=1)).all()


def test_the_same_world_is_not_made_again_and_another_is(world: World, tmp_path: Path) -> None:
    lines: list[str] = []
    first = make_world(SPEC, tmp_path / "world", 1, tell=lines.append)
    again = make_world(SPEC, tmp_path / "world", 1, tell=lines.append)
    other = make_world(replace(SPEC, sites=4), tmp_path / "world", 1, tell=lines.append)
    assert first.homes.equals(again.homes)
    assert lines == [
        "fleet and twin, 3 of 3 homes",
        "the fleet and its twin are there already",
        "fleet and twin, 4 of 4 homes",
    ]
    assert other.homes.height == 4

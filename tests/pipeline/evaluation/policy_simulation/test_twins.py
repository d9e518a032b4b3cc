"""Homes of a family twice: all draws alike, the fault alone is absent in the twin."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from pipeline.evaluation.policy_simulation.twins import (
    simulate_twins,
    split_fleet,
    street_twins,
)
from pipeline.evaluation.policy_simulation.world import make_world
from pipeline.simulate.counterfactual import Twins
from pipeline.simulate.families.fleet import household_batches, write_pool, write_unlike_lake
from pipeline.simulate.families.register import CREWS
from pipeline.simulate.families.spec import FAMILIES, UnlikeSpec
from pipeline.simulate.spec import FleetSpec

END = date(2026, 6, 14)
WATTS = ("l1_w", "l2_w")


def spec_of(family: str, sites: int = 14, **others: object) -> UnlikeSpec:
    usual = {"days": 3, "minutes": 60, "seed": 5, "end": END, "fault_share": 0.5, "hard_share": 0.2}
    return UnlikeSpec(sites, **(usual | others), family=family)  # type: ignore[arg-type]


def twins(spec: UnlikeSpec, pool: Path = Path("none")) -> list[Twins]:
    return [twin for part in split_fleet(spec, 100) for twin in simulate_twins(spec, part, pool)]


@pytest.mark.parametrize("family", FAMILIES)
def test_as_installed_a_home_is_the_fleet_s_own(family: str, tmp_path: Path) -> None:
    spec = spec_of(family, sites=6, days=2)
    write_unlike_lake(spec, tmp_path / "lake")
    for batch in household_batches(spec):
        write_pool(spec.days, tmp_path / "pool", batch)

    homes = twins(spec, tmp_path / "pool")

    lake = pl.read_parquet(tmp_path / "lake" / "intervals" / "**" / "*.parquet", hive_partitioning=False)
    for twin in homes:
        rows = twin.installed.with_columns(pl.col("interval_start").dt.replace_time_zone(None))
        expected = lake.filter(pl.col("site_id") == twin.site_id).drop("site_id").sort("interval_start")
        assert_frame_equal(rows, expected)
    truth = pl.read_csv(tmp_path / "lake" / "truth.csv")
    assert [twin.fault or "sound" for twin in homes] == truth["fault"].to_list()


def test_nothing_but_the_fault_is_absent_in_the_twin() -> None:
    homes = twins(spec_of("weather", faults=("reversed", "wrong_ratio", "dead", "loose_core")))

    sound = [twin for twin in homes if not twin.fault]
    assert len(sound) == 7
    for twin in homes:
        assert twin.site == twin.site_right
        # the same rows with the same production, voltages and utility meter
        same = [name for name in twin.right.columns if name not in (*WATTS, "l1_var", "l2_var")]
        assert_frame_equal(twin.installed.select(same), twin.right.select(same))
        if not twin.fault:
            assert_frame_equal(twin.installed, twin.right)
    dead = next(twin for twin in homes if twin.fault == "dead" and twin.leg == "l1")
    assert dead.installed["l1_w"].abs().mean() < dead.right["l1_w"].abs().mean() / 5
    reversed_l1 = next(twin for twin in homes if twin.fault == "reversed" and twin.leg == "l1")
    share = (reversed_l1.installed["l1_w"] + reversed_l1.right["l1_w"]).abs().mean()
    assert share < 0.05 * reversed_l1.right["l1_w"].abs().mean()


def test_before_its_fault_begins_a_home_is_its_twin() -> None:
    spec = spec_of("weather", sites=8, days=6, onset_share=1.0, faults=("dead",))

    later = [twin for twin in twins(spec) if twin.onset_at is not None]

    assert len(later) == 4
    for twin in later:
        start = pl.col("interval_start").dt.replace_time_zone(None)
        before = start + timedelta(hours=1) <= twin.onset_at
        assert_frame_equal(twin.installed.filter(before), twin.right.filter(before))
        leg = twin.leg if twin.leg != "both" else "l1"
        after = start >= twin.onset_at
        assert not twin.installed.filter(after)[f"{leg}_w"].equals(twin.right.filter(after)[f"{leg}_w"])
        assert twin.commissioned_on < spec.start.date()


def test_a_wrong_scope_is_put_right_in_the_record_only() -> None:
    homes = [twin for twin in twins(spec_of("measured", faults=("wrong_scope",))) if twin.fault]

    assert homes
    for twin in homes:
        assert_frame_equal(twin.installed, twin.right)
        changed = {name for name in twin.site if twin.site[name] != twin.site_right[name]}
        assert {"ct_sees_pv"} <= changed <= {"ct_sees_pv", "ct_location"}


def test_streets_stay_whole_in_parts_and_numbers_go_on() -> None:
    spec = spec_of("weather", sites=60)

    parts = split_fleet(spec, 20)

    assert len(parts) > 2
    assert [number for numbers, _ in parts for number in numbers] == list(range(60))
    for numbers, streets in parts:
        assert [home.number for street in streets for home in street] == list(numbers)
    assert [list(numbers) for numbers, _ in split_fleet(FleetSpec(5), 2)] == [[0, 1], [2, 3], [4]]


def test_a_street_without_a_fault_is_built_once() -> None:
    spec = spec_of("weather", sites=3, fault_share=0.0)
    street = split_fleet(spec, 100)[0][1][0]
    homes = street_twins(spec, street, Path("none"))

    assert all(twin.right["l1_w"].equals(twin.installed["l1_w"]) and not twin.fault for twin in homes)


def test_the_world_of_a_family_is_made_like_the_simulator_s(tmp_path: Path) -> None:
    world = make_world(spec_of("weather"), tmp_path / "world", 1)

    faulty = world.homes.filter(pl.col("fault") != "")
    assert (world.homes.height, faulty.height) == (14, 7)
    assert world.crews == [crew for crew, _ in CREWS]
    assert world.sites(is_right=False)["site_id"].to_list() == world.homes["site_id"].to_list()
    assert not (tmp_path / "world" / "households").exists()
    (part,) = world.parts(END)
    right = pl.read_parquet(world.right(END, part))
    assert set(right["site_id"]) <= set(faulty["site_id"])
    measured = faulty.filter(pl.col("fault") != "wrong_scope")["site_id"]
    assert set(world.wrong["site_id"]) <= set(faulty["site_id"])
    assert len(set(world.wrong["site_id"]) & set(measured)) >= measured.len() - 1

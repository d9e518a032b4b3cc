"""Fleets by service: a lake's numbers in one call, what is behind the fleet of two legs, one table for all."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest

from pipeline.core.errors import InputError
from pipeline.core.services import SERVICES, service_of
from pipeline.evaluation.study_pages import grid
from pipeline.evaluation.validation.metrics import compute_metrics
from pipeline.evaluation.validation.services import (
    ALLOWED,
    JUDGED,
    TWO_LEGS,
    ServicesRequest,
    check_services,
    fleet_numbers,
    judge_fleet,
    service_tables,
)
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec


@pytest.fixture(scope="module")
def judged(tmp_path_factory) -> tuple[Path, dict, pl.DataFrame]:
    lake = tmp_path_factory.mktemp("judged") / "lake"
    write_lake(FleetSpec(14, 3, 60, 4, fault_share=0.5, service="230/400"), lake)
    return (lake, *judge_fleet(lake))


def test_a_lake_is_judged_by_one_call_and_nothing_is_left_beside_it(judged):
    lake, numbers, homes = judged
    assert homes.height == numbers["homes"] == 14
    assert numbers["faulty"] == homes["is_faulty"].sum() > 3
    assert {name: numbers[name] for name in ("average_precision", "ece")} == {
        name: compute_metrics(homes)[name] for name in ("average_precision", "ece")
    }
    assert [path.name for path in lake.parent.iterdir()] == ["lake"]


def test_suspects_are_counted_by_their_verdict():
    homes = pl.DataFrame({
        "likelihood": [0.9, 0.8, 0.6, 0.1], "verdict": ["suspect", "suspect", "unproven", "sound"], "weight": 1.0,
        "is_faulty": [True, False, False, False], "rank": [1, 2, 3, 4], "is_named_right": True, "is_leg_right": True,
        "is_order_right": True, "is_order_leg_right": True,
    })  # fmt: skip
    numbers = fleet_numbers(homes)
    assert numbers["suspects"] == 2
    assert numbers["sound_suspects_1000"] == pytest.approx(1000 / 3)


def test_a_service_meets_a_target_by_its_distance_from_two_legs():
    good = dict.fromkeys(ALLOWED, 0.9) | {"ece": 0.01, "sound_suspects_1000": 2.0}
    behind = good | {"average_precision": 0.87, "ece": 0.03}
    table = check_services({TWO_LEGS: good, "230": good, "230/400": behind})
    assert table.height == 2 * len(ALLOWED)
    missed = table.filter(~pl.col("is_met"))
    assert set(missed["service"]) == {service_of("230/400").title}
    assert set(missed["target"]) == {"average precision", "calibration error"}


def test_the_tables_name_services_as_people_do(judged):
    _, _, homes = judged
    tables = service_tables({TWO_LEGS: homes, "230/400": homes}, {"230": homes})
    assert tables[0].name == "targets"
    assert tables[0].frame["is_met"].all()  # the same homes are no worse
    assert f"{homes['is_faulty'].sum()} homes of each fleet are faulty" in tables[0].note
    titles = {service.title for service in SERVICES.values()}
    assert set(tables[1].frame["service"]) - titles == {f"{service_of('230').title}, real"}
    for table in tables:
        assert set(table.frame["service"]) <= titles or table.name == "fleets"
        assert grid(table).row_count == table.frame.height


def test_every_kind_of_service_is_judged_on_one_seed():
    request = ServicesRequest(sites=100, seed=5)
    specs = [request.spec(service) for service in JUDGED]
    assert {spec.seed for spec in specs} == {5}
    assert {service_of(spec.service).line_count for spec in specs} == {1, 2, 3}
    with pytest.raises(InputError, match="60 homes or more"):
        ServicesRequest(sites=10)

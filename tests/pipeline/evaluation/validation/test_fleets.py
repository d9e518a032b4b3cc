"""Lakes of the validation by name, and the same lake without leg voltages."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import polars as pl

from pipeline.evaluation.validation.fleets import copy_without_volts, lake_name
from pipeline.evaluation.validation.truth import read_channels
from pipeline.simulate.families.spec import UnlikeSpec
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec


def test_a_lake_is_named_by_all_of_its_spec() -> None:
    spec = UnlikeSpec()
    changes = (
        {"sites": 9}, {"days": 9}, {"minutes": 5}, {"seed": 9}, {"end": spec.end.replace(day=1)},
        {"fault_share": 0.2}, {"hard_share": 0.2}, {"onset_share": 0.2}, {"with_volts": True}, {"faults": ("dead",)},
        {"family": "weather"}, {"service": "230/400"},
    )  # fmt: skip

    names = {lake_name(replace(spec, **change)) for change in changes} | {lake_name(spec)}

    assert len(names) == len(changes) + 1
    assert set().union(*changes) == set(UnlikeSpec.__dataclass_fields__)


def test_without_volts_all_else_stays(tmp_path: Path) -> None:
    write_lake(FleetSpec(6, 1, 60, 2), tmp_path / "lake")

    copy_without_volts(tmp_path / "lake", tmp_path / "blind")

    before, after = (
        pl.read_parquet(tmp_path / name / "intervals" / "**" / "*.parquet", hive_partitioning=False)
        for name in ("lake", "blind")
    )
    assert before["l1_v"].count() > 0
    assert after["l1_v"].count() == after["l2_v"].count() == 0
    assert after.drop("l1_v", "l2_v").equals(before.drop("l1_v", "l2_v"))
    assert not read_channels(tmp_path / "blind")["has_volts"].any()
    assert (tmp_path / "blind" / "truth.csv").read_bytes() == (tmp_path / "lake" / "truth.csv").read_bytes()

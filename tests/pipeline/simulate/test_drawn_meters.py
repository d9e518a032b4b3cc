"""Simulated utility files: from the truth, of every kind, and none unless asked for."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.simulate.drawn_meters import draw_meter
from pipeline.simulate.fleet import draw_install, simulate_home
from pipeline.simulate.lake import write_lake
from pipeline.simulate.meter_kinds import KINDS
from pipeline.simulate.spec import FleetSpec

SPEC = FleetSpec(12, 4, 15, 3)


@pytest.mark.parametrize("kind", KINDS)
def test_each_kind_counts_the_homes_net_energy(kind: str) -> None:
    home = replace(draw_install(SPEC, 1).home, spec=replace(SPEC, utility_share=1.0, utility_kinds=(kind,)))
    meter = draw_meter(home, "H00001", np.random.default_rng(1))
    assert meter is not None

    counted = meter.rows["import_wh"].sum() - meter.rows["export_wh"].fill_null(0).sum()
    share = meter.rows.height * KINDS[kind].minutes / (4 * 1440)
    net_w = home.net_w[: int(share * home.net_w.size)]
    truth = np.maximum(net_w, 0.0) if KINDS[kind].is_import_only else net_w
    assert share == (0.5 if KINDS[kind].has_ended else 1.0)
    assert counted == pytest.approx(truth.mean() * share * 96, rel=0.02, abs=50)
    late_min = (meter.rows["interval_start"][0].hour * 60) + meter.rows["interval_start"][0].minute
    assert late_min == KINDS[kind].late_intervals * KINDS[kind].minutes


def test_files_are_written_only_where_asked_for_and_change_nothing_else(tmp_path: Path) -> None:
    write_lake(SPEC, tmp_path / "without")
    write_lake(replace(SPEC, utility_share=0.5), tmp_path / "with")

    assert not (tmp_path / "without" / "utility").exists()
    assert not (tmp_path / "without" / "meters.csv").exists()
    meters = pl.read_csv(tmp_path / "with" / "meters.csv")
    assert 2 <= meters.height <= 10
    assert any((tmp_path / "with" / "utility").iterdir())
    for name in ("sites.csv", "truth.csv"):
        assert (tmp_path / "with" / name).read_bytes() == (tmp_path / "without" / name).read_bytes()


def test_a_home_with_a_file_has_no_meter_in_its_rows() -> None:
    plain, filed = (
        [simulate_home(replace(SPEC, utility_share=share), number) for number in range(12)]
        for share in (0.0, 1.0)
    )

    assert any(record.readings["import_wh"].is_not_null().any() for record in plain)
    assert not any(record.readings["import_wh"].is_not_null().any() for record in filed)
    assert all(
        one.readings.drop("import_wh", "export_wh").equals(other.readings.drop("import_wh", "export_wh"))
        for one, other in zip(plain, filed, strict=True)
    )

"""`nightclamp simulate`: fleets of a service, and which services have a sample lake."""

from __future__ import annotations

from pathlib import Path

import polars as pl
from command_line import run_command


def test_a_fleet_is_put_on_the_service_that_is_asked_for(tmp_path: Path) -> None:
    out = tmp_path / "lake"
    status, told, _ = run_command("simulate", out, "--sites", "3", "--days", "1", "--service", "230/400")
    assert status == 0
    assert str(out / "truth.csv") in told
    assert set(pl.read_csv(out / "sites.csv")["service"].drop_nulls()) == {"230/400"}
    rows = pl.read_parquet(sorted(out.glob("intervals/*/*.parquet")))
    assert rows["l3_w"].count() == rows.height


def test_a_sample_of_a_service_without_three_lines_is_refused_in_one_line(tmp_path: Path) -> None:
    status, _, complaint = run_command("simulate", tmp_path / "lake", "--sample", "--service", "230")
    assert status == 2
    assert "choose one of 230/400, 120/208 three-phase" in complaint
    assert not (tmp_path / "lake").exists()

"""What `nightclamp utility` says of the utility's files, and with OUT of what a night made of them."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

import polars as pl
import pytest

from pipeline.commands.app import run_words
from pipeline.commands.utility_text import file_line, home_line
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec

FILE = {
    "source_file": "utility/a.csv", "usage_point": "u", "site_id": "H1", "rows": 5, "used": 3, "duplicate": 1,
    "rejected": 1, "first_start": datetime(2026, 5, 1), "last_start": datetime(2026, 6, 2, 23), "minutes": 60,
    "step_wh": 10.0,
}  # fmt: skip
HOME = {
    "site_id": "H1", "meter_by": "utility file", "meter_why_not": None, "meter_from_on": "2026-05-01",
    "meter_to_on": "2026-06-02", "meter_hours": 700, "meter_offset_min": -60, "meter_gain_l1": 0.5,
    "meter_gain_l1_se": 0.002, "meter_gain_l2": None, "meter_gain_l2_se": None,
}  # fmt: skip


@pytest.fixture(scope="module")
def lake(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("lake") / "lake"
    write_lake(FleetSpec(4, 12, 15, 3, utility_share=1.0, utility_kinds=("hourly",)), root)
    sites = pl.read_csv(root / "sites.csv", infer_schema=False)
    pl.concat([sites, sites.tail(1).with_columns(site_id=pl.lit("Z"))]).write_csv(root / "sites.csv")
    return root


def test_a_file_is_said_with_its_span_length_step_and_counts() -> None:
    assert file_line(FILE) == (
        "utility/a.csv: usage point u, home H1: 2026-05-01 to 2026-06-02 every 60 min, in steps of 10 Wh:"
        " 5 rows = 3 used + 1 duplicate + 1 rejected"
    )
    lost = FILE | {"site_id": None, "used": 0, "rejected": 4, "first_start": None}
    assert file_line(lost) == (
        "utility/a.csv: usage point u, of no known home: 5 rows = 0 used + 1 duplicate + 4 rejected"
    )


def test_a_home_is_said_with_its_hours_offset_and_reading_over_truth() -> None:
    assert home_line(HOME) == (
        "home H1: by its utility file, 700 hours in common, 2026-05-01 to 2026-06-02, clock offset −60 min:"
        " reading over truth L1 0.50 ± 0.004"
    )
    third = {"meter_gain_l3": 1.0, "meter_gain_l3_se": 0.01}
    assert home_line(HOME | third).endswith("reading over truth L1 0.50 ± 0.004, L3 1.00 ± 0.020")
    why = {"meter_why_not": "has too few hours in common with the readings", "meter_by": None}
    assert (
        home_line(HOME | why) == "home H1: a utility file that has too few hours in common with the readings"
    )


def test_the_command_before_and_after_a_night(
    lake: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run_words(["utility", str(lake)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert sum("every 60 min, in steps of 1 Wh: 576 rows = 576 used" in line for line in lines) == 4
    assert lines[-1].endswith("1 home without a meter (Z)")

    out = str(tmp_path / "out")
    assert run_words(["nightly", str(lake), "--out", out, "--window-days", "12"]) in (0, 3)
    capsys.readouterr()
    assert run_words(["utility", str(lake), "--out", out, "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["rows"] == {"rows_in": 2304, "used": 2304, "duplicate": 0, "rejected": 0}
    assert len(said["files"]) == 4
    known = {home["site_id"]: home for home in said["homes"]}
    assert any(abs(home["meter_gain_l1"] - 1) < 0.1 for home in known.values() if home["meter_gain_l1"])
    assert said["homes_without_meter"] == ["Z"]


def test_a_lake_without_files_and_an_out_without_a_night_are_refused_in_one_line(
    lake: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bare = tmp_path / "bare"
    write_lake(FleetSpec(1, 1, 60, 3), bare)

    assert run_words(["utility", str(bare)]) == 2
    assert "no folder utility with files" in capsys.readouterr().err
    assert run_words(["utility", str(lake), "--out", str(tmp_path / "none")]) == 2
    assert "no published night" in capsys.readouterr().err

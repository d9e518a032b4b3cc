"""A night beside files of the utility: what they settle, older days they need, counts, and what a second night does."""

from __future__ import annotations

import json
import shutil
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.core.settings import load_settings
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import NightResult, run_night
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec, Wish

LAST = date(2026, 6, 14)
WINDOW = 10
AT_THE_LOADS = (
    ("sees_pv", False),
    ("location", "load_conductors"),
    ("service", "120/240"),
    ("battery_wh", 0.0),
)
SETTINGS = load_settings()


@pytest.fixture(scope="module")
def lake(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eight homes at the loads over 24 days whose meters' files end 12 days before the last; H00000 reads half."""
    root = tmp_path_factory.mktemp("lake") / "lake"
    spec = FleetSpec(8, 24, 15, 3, end=LAST, utility_share=1.0, utility_kinds=("ended_early",))
    values = (*AT_THE_LOADS, ("commissioned_on", date(2025, 1, 1)))
    wishes = {n: Wish(fault="", values=values) for n in range(8)}
    wishes[0] = Wish(fault="wrong_ratio", values=values)
    write_lake(spec, root, wishes=wishes)
    pl.DataFrame(schema=pl.read_csv(root / "visits.csv").schema).write_csv(root / "visits.csv")
    with (root / "utility" / "own.csv").open("w") as file:
        file.write("usage_point,interval_start,import_wh\nnobody,2026-06-01 00:00,5\n")
    return root


def night(lake: Path, out: Path) -> NightResult:
    return run_night(NightRequest(lake, out, window_days=WINDOW), SETTINGS)


@pytest.fixture(scope="module")
def first(lake: Path, tmp_path_factory: pytest.TempPathFactory) -> NightResult:
    return night(lake, tmp_path_factory.mktemp("out"))


def signals(result: NightResult) -> pl.DataFrame:
    return pl.read_parquet(result.folder / "site_signal.parquet").sort("site_id")


def test_a_meter_that_ended_before_the_window_proves_scale_on_the_first_night(first: NightResult) -> None:
    seen = signals(first)
    by_file = seen.filter(pl.col("meter_by") == "utility file")

    assert by_file.height >= 6
    assert (by_file["meter_to_on"] < LAST - timedelta(days=WINDOW - 1)).all()
    assert (by_file["meter_offset_min"] == 0).all()
    right = by_file.filter(pl.col("site_id") != "H00000")
    assert right.select((pl.col("meter_gain_l1", "meter_gain_l2") - 1).abs().max() < 0.12).row(0) == (
        True,
        True,
    )
    half = by_file.filter(pl.col("site_id") == "H00000")
    assert half.select((pl.col("meter_gain_l1") - 1).abs() > 0.2).item()


def test_older_days_change_nothing_but_the_meter(lake: Path, first: NightResult, tmp_path: Path) -> None:
    bare = tmp_path / "lake"
    shutil.copytree(lake, bare)
    shutil.rmtree(bare / "utility")
    without, seen = signals(night(bare, tmp_path / "out")), signals(first)

    others = [name for name in seen.columns if not name.startswith("meter_")]
    assert seen.select(others).equals(without.select(others))
    assert without["meter_by"].null_count() == without.height


def test_the_rows_of_files_add_up_and_their_rejects_are_published(first: NightResult) -> None:
    counts = json.loads((first.folder / "run.json").read_text())["counts"]
    rejects = pl.read_parquet(first.folder / "rejects.parquet")

    assert counts["utility_rows_in"] == 8 * 12 * 24 * 2 + 1
    assert counts["utility_rows_rejected"] == 1
    assert counts["utility_rows_in"] == sum(
        counts[f"utility_rows_{fate}"] for fate in ("used", "duplicate", "rejected")
    )
    assert counts["rows_in"] == counts["rows_used"] + counts["rows_duplicate"] + counts["rows_rejected"]
    assert rejects.filter(pl.col("source_file") == "utility/own.csv").height == 1


def test_the_same_night_again_gives_the_same_tables(lake: Path, first: NightResult) -> None:
    before = {path.name: path.read_bytes() for path in first.folder.glob("*.parquet")}
    again = night(lake, first.folder.parents[1])

    assert {path.name: path.read_bytes() for path in again.folder.glob("*.parquet")} == before


def test_a_visit_since_the_meter_ended_silences_it(lake: Path, tmp_path: Path) -> None:
    visited = tmp_path / "lake"
    shutil.copytree(lake, visited)
    (visited / "visits.csv").write_text(
        "visit_id,site_id,visited_on,crew_id,found,leg,fixed,note\n"
        f"V1,H00001,{LAST - timedelta(days=11)},C01,sound,,,\n"
    )
    seen = signals(night(visited, tmp_path / "out"))

    assert seen.filter(pl.col("site_id") == "H00001")["meter_by"].to_list() == [None]
    assert (seen["meter_by"] == "utility file").sum() >= 5

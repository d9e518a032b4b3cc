"""A proof fleet as a lake: in the contract, the same again for the same seed, and with true physics."""

import sys
from datetime import date
from hashlib import sha256

import numpy as np
import polars as pl
import pytest

from pipeline.core.errors import InputError
from pipeline.core.settings import load_settings
from pipeline.ingest.contract_check import check_lake
from pipeline.ingest.lake import open_lake
from pipeline.simulate.families.fleet import UnlikeSpec, write_unlike_lake
from pipeline.simulate.families.witness import WITNESS_COLUMNS

SMALL = UnlikeSpec(sites=14, days=3, seed=2, fault_share=0.4, hard_share=0.3)
RIGHT = UnlikeSpec(sites=24, days=2, seed=5, fault_share=0.0, hard_share=0.0, with_volts=True)


def _digest(root):
    files = sorted(path for path in root.rglob("*") if path.is_file())
    return {str(path.relative_to(root)): sha256(path.read_bytes()).hexdigest() for path in files}


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    root = tmp_path_factory.mktemp("small")
    write_unlike_lake(SMALL, root / "lake")
    return root / "lake"


@pytest.fixture(scope="module")
def right(tmp_path_factory):
    """A fleet of right homes: rows joined with the truth."""
    root = tmp_path_factory.mktemp("right") / "lake"
    write_unlike_lake(RIGHT, root)
    rows = pl.read_parquet(root / "intervals" / "*" / "*.parquet", hive_partitioning=False)
    truth = pl.read_csv(root / "truth.csv", infer_schema_length=None)
    sites = pl.read_csv(root / "sites.csv").select("site_id", "service", "pv_added_back")
    return rows.join(truth, on="site_id").join(sites, on="site_id").sort("site_id", "interval_start")


def test_the_lake_is_in_the_contract(small):
    problems = check_lake(open_lake(small), load_settings(), date(2026, 6, 15), all_days=True)

    assert [problem for problem in problems if problem.severity == "fail"] == []


def test_each_day_has_its_file_sorted_by_home_and_time(small):
    days = sorted((small / "intervals").iterdir())

    assert [day.name for day in days] == [f"date=2026-06-{day}" for day in (12, 13, 14)]
    for file in small.rglob("*.parquet"):
        rows = pl.read_parquet(file, hive_partitioning=False)
        assert rows.select("site_id", "interval_start").equals(
            rows.select("site_id", "interval_start").sort("site_id", "interval_start")
        )
        assert rows.select(pl.struct("site_id", "interval_start").is_unique().all()).item()


def test_the_truth_names_fault_hard_negative_and_witness(small):
    truth = pl.read_csv(small / "truth.csv", infer_schema_length=None)

    assert truth["site_id"].to_list() == [f"U{number:06d}" for number in range(1, 15)]
    assert truth.filter(pl.col("fault") != "sound").height == 6
    assert truth.filter(pl.col("hard_negative").is_not_null()).height == 4
    assert truth.filter(pl.col("hard_negative").is_not_null() & (pl.col("fault") != "sound")).is_empty()
    assert set(WITNESS_COLUMNS) < set(truth.columns)
    assert pl.read_csv(small / "visits.csv").is_empty()


@pytest.mark.heavy
def test_the_same_seed_gives_the_same_bytes_by_two_workers_too(small, tmp_path):
    write_unlike_lake(SMALL, tmp_path / "again", workers=2)

    assert _digest(tmp_path / "again") == _digest(small)


def test_right_homes_answer_the_sun_as_their_witness_says(right):
    tried = 0
    homes = right.filter(
        pl.col("witness_pv_l1").is_not_null()
        & (pl.col("service") == "120/240")
        & pl.col("battery_w").is_null()
    )
    for (_,), rows in homes.group_by(["site_id"]):
        step = rows.sort("interval_start").select(pl.col("l1_w", "l2_w", "pv_w").diff()).drop_nulls()
        probe = step["pv_w"].to_numpy()
        for leg in ("l1", "l2"):
            answer = step[f"{leg}_w"].to_numpy()
            slope = float(probe @ answer / (probe @ probe))
            error = np.std(answer - slope * probe) / np.sqrt(probe @ probe)
            if error < 0.1:
                tried += 1
                assert abs(slope - rows[f"witness_pv_{leg}"][0]) < 3.5 * error
    assert tried >= 8


def test_right_homes_draw_power_at_night_and_sag_on_the_right_leg(right):
    night = right.filter((pl.col("pv_w") < 1) & (pl.col("battery_w").is_null())).select("l1_w")
    assert (night["l1_w"] > -20).mean() > 0.99

    for (_,), rows in right.filter(pl.col("service") == "120/240").group_by(["site_id"]):
        if rows["pv_added_back"][0]:
            continue
        apart = (rows["l1_v"] - rows["l2_v"]).to_numpy()
        lean = (rows["l1_w"] - rows["l2_w"]).to_numpy() / 1000
        slope = float(np.polyfit(lean, apart, 1)[0])
        assert -1.0 < slope < -0.02  # V per kW


def test_an_occupied_folder_is_refused(small):
    with pytest.raises(InputError, match="holds intervals already"):
        write_unlike_lake(SMALL, small)


@pytest.mark.parametrize(("minutes", "days"), [(1, 1), (60, 7)])
def test_other_intervals_and_windows(minutes, days, tmp_path):
    spec = UnlikeSpec(sites=8, days=days, minutes=minutes, seed=4, fault_share=0.5, hard_share=0.5)
    lines = []

    write_unlike_lake(spec, tmp_path / "lake", tell=lines.append)

    problems = check_lake(open_lake(tmp_path / "lake"), load_settings(), date(2026, 6, 15), all_days=True)
    assert [problem for problem in problems if problem.severity == "fail"] == []
    assert lines[-1] == "simulated, 8 of 8 homes"


@pytest.mark.parametrize("package", ["richardsonpy", "pvlib", "dss"])
def test_a_missing_package_is_one_line(package, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, package, None)

    with pytest.raises(
        InputError, match=r"nightclamp proof needs the proof extra: pip install nightclamp\[proof\]"
    ):
        write_unlike_lake(SMALL, tmp_path / "lake")
    assert not (tmp_path / "lake").exists()

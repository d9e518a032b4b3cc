"""A fleet of family "weather" as a lake: in the contract, repeatable, and sound homes answer as they must."""

from dataclasses import replace
from datetime import date
from hashlib import sha256

import numpy as np
import polars as pl
import pytest

from pipeline.core.settings import load_settings
from pipeline.ingest.contract_check import check_lake
from pipeline.ingest.lake import open_lake
from pipeline.simulate.families.build import build_street, circuit_of
from pipeline.simulate.families.draw import areas, draw_fleet
from pipeline.simulate.families.fleet import write_unlike_lake
from pipeline.simulate.families.powers import powers_of
from pipeline.simulate.families.spec import UnlikeSpec

SMALL = UnlikeSpec(sites=24, days=3, seed=2, fault_share=0.4, hard_share=0.4, family="weather")
RIGHT = replace(SMALL, sites=60, days=8, seed=5, fault_share=0.0, hard_share=0.0, with_volts=True)


def _digest(root):
    files = sorted(path for path in root.rglob("*") if path.is_file())
    return {str(path.relative_to(root)): sha256(path.read_bytes()).hexdigest() for path in files}


def _rows(lake):
    rows = pl.read_parquet(lake / "intervals" / "*" / "*.parquet", hive_partitioning=False)
    truth = pl.read_csv(lake / "truth.csv", infer_schema_length=None)
    sites = pl.read_csv(lake / "sites.csv").select("site_id", "service", "pv_added_back", "has_battery")
    return rows.join(truth, on="site_id").join(sites, on="site_id").sort("site_id", "interval_start")


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    root = tmp_path_factory.mktemp("small") / "lake"
    write_unlike_lake(SMALL, root)
    return root


@pytest.fixture(scope="module")
def right(tmp_path_factory):
    root = tmp_path_factory.mktemp("right") / "lake"
    write_unlike_lake(RIGHT, root)
    return _rows(root)


@pytest.fixture(scope="module")
def plain():
    """A right upstream 120/240 home with solar and nothing odd, which reports all it can."""
    for street in draw_fleet(RIGHT):
        for home in street:
            if home.service == "120/240" and home.sees_pv and home.roof and not home.battery:
                return replace(home, added_back=False, is_clipped=False, has_var=True, has_meter=True)
    raise AssertionError("no such home in sixty")


@pytest.mark.parametrize(
    ("days", "minutes", "end"),
    [(3, 15, SMALL.end), (1, 1, SMALL.end), (7, 60, date(2026, 1, 20)), (2, 5, date(2026, 12, 1))],
)
def test_the_lake_is_in_the_contract(days, minutes, end, tmp_path):
    lines = []

    write_unlike_lake(
        replace(SMALL, days=days, minutes=minutes, end=end), tmp_path / "lake", tell=lines.append
    )

    problems = check_lake(
        open_lake(tmp_path / "lake"), load_settings(), end.replace(day=end.day + 1), all_days=True
    )
    assert [problem for problem in problems if problem.severity == "fail"] == []
    assert lines[0].startswith("24 homes on ")  # no household of the CREST model was made
    assert lines[-1] == "simulated, 24 of 24 homes"


@pytest.mark.heavy
def test_the_same_seed_gives_the_same_bytes_by_two_workers_too_and_another_seed_does_not(small, tmp_path):
    write_unlike_lake(SMALL, tmp_path / "again", workers=2)
    write_unlike_lake(replace(SMALL, seed=3), tmp_path / "other")

    assert _digest(tmp_path / "again") == _digest(small)
    assert _digest(tmp_path / "other") != _digest(small)


def test_faults_and_hard_negatives_come_from_the_shared_draw(small):
    truth = pl.read_csv(small / "truth.csv", infer_schema_length=None)

    assert truth.filter(pl.col("fault") != "sound")["fault"].n_unique() == 10
    assert truth["hard_negative"].n_unique() > 8


def test_columns_are_there_as_the_truth_says(right):
    for has, column in (("has_volts", "l1_v"), ("has_var", "l1_var"), ("has_meter", "import_wh")):
        share = right.group_by("site_id").agg(pl.col(has).first(), (pl.col(column).count() > 0).alias("is"))
        assert (share[has] == share["is"]).all()
        assert share["is"].any()
    spread = right.filter("has_var").group_by("site_id").agg(pl.col("l1_var").std())["l1_var"]
    assert (spread > 1).all()


def test_load_at_the_meter_is_what_sound_upstream_clamps_read(plain):
    (built,) = build_street(RIGHT, [plain], areas(RIGHT))

    net_wh = built.rows["import_wh"] - built.rows["export_wh"]
    legs_wh = (built.rows["l1_w"] + built.rows["l2_w"]) / 4
    assert abs(net_wh.sum() / legs_wh.sum() - 1) < 0.08
    assert float(np.corrcoef(net_wh, legs_wh)[0, 1]) > 0.97


def test_an_inverters_reactive_power_is_on_the_legs_and_not_in_its_watts(plain):
    powers = powers_of(RIGHT, plain, areas(RIGHT)[plain.area], rng=np.random.default_rng(3))
    volts = (np.full(RIGHT.steps, 120.0), np.full(RIGHT.steps, 120.0))
    tan = np.full(RIGHT.steps, -0.25)

    still = circuit_of(plain, replace(powers, pv_tan=None), volts)
    turned = circuit_of(plain, replace(powers, pv_tan=tan), volts)

    for before, after in zip(still.source_va, turned.source_va, strict=True):
        np.testing.assert_allclose(after.real, before.real, atol=1e-6)
        np.testing.assert_allclose(after.imag, -0.25 * powers.pv_w / 2, atol=1e-6)
    np.testing.assert_allclose(turned.load_va, still.load_va)


def test_right_homes_scatter_around_their_witness(right):
    off = []
    homes = right.filter(pl.col("witness_pv_l1").is_not_null() & pl.col("battery_w").is_null())
    for (_,), rows in homes.filter(pl.col("service") == "120/240").group_by(["site_id"], maintain_order=True):
        step = rows.select(pl.col("l1_w", "l2_w", "pv_w").diff()).drop_nulls()
        probe = step["pv_w"].to_numpy()
        for leg in ("l1", "l2"):
            answer = step[f"{leg}_w"].to_numpy()
            slope = float(probe @ answer / (probe @ probe))
            error = np.std(answer - slope * probe) / np.sqrt(probe @ probe)
            if error < 0.1:
                off.append((slope - rows[f"witness_pv_{leg}"][0], error))
    gap, error = np.array(off).T
    assert len(off) > 40
    assert abs(np.median(gap)) < 0.06
    assert np.quantile(np.abs(gap), 0.9) < 0.3
    assert 0.1 < np.mean(np.abs(gap) > 2 * error) < 0.6  # loads follow the sun: more than chance

"""A simulated fleet is reproducible, holds the faults asked for, and is written as a lake."""

import hashlib
from dataclasses import replace
from datetime import date

import numpy as np
import polars as pl
import pytest

from pipeline.core.contract import FAULTS
from pipeline.core.errors import InputError
from pipeline.simulate.fleet import Install, report_home, simulate_home
from pipeline.simulate.home import clean_home
from pipeline.simulate.lake import SITE_COLUMNS, write_lake
from pipeline.simulate.sample import write_sample_lake
from pipeline.simulate.spec import FleetSpec, Wish

SPEC = FleetSpec(sites=16, days=3, minutes=15, seed=9, register_gap_share=0.0)


def digest(folder):
    """One hash over all files of a folder, names included."""
    whole = hashlib.sha256()
    for file in sorted(folder.rglob("*")):
        if file.is_file():
            whole.update(str(file.relative_to(folder)).encode() + file.read_bytes())
    return whole.hexdigest()


def simulate_homes(spec):
    return [simulate_home(spec, number) for number in range(spec.sites)]


def test_a_home_is_the_same_alone_and_in_its_fleet():
    alone = simulate_home(SPEC, 7)
    among = simulate_homes(SPEC)[7]
    assert alone.readings.equals(among.readings)
    assert alone.site == among.site
    assert alone.truth == among.truth


def test_another_seed_is_another_home():
    assert not simulate_home(SPEC, 7).readings.equals(simulate_home(replace(SPEC, seed=10), 7).readings)


@pytest.mark.parametrize("fault", FAULTS)
def test_each_fault_can_be_asked_for(fault):
    record = simulate_home(SPEC, 0, Wish(fault=fault, hard=""))
    assert record.truth["fault"] == fault
    assert record.truth["leg"] in ("l1", "l2", "both")
    assert record.truth["onset_on"] is None


def test_a_reversed_clamp_is_the_sound_home_turned():
    wish = {"hard": "", "values": (("service", "120/240"), ("volts", 120.0), ("pv_added_back", False))}
    sound = simulate_home(SPEC, 3, Wish(fault="", **wish)).readings
    turned = simulate_home(SPEC, 3, Wish(fault="reversed", leg="l1", **wish)).readings
    assert np.corrcoef(sound["l1_w"], turned["l1_w"])[0, 1] < -0.999
    assert np.corrcoef(sound["l2_w"], turned["l2_w"])[0, 1] > 0.999


def test_a_fault_can_start_and_be_fixed_within_the_window():
    values = (("service", "120/240"), ("volts", 120.0), ("pv_added_back", False), ("is_plain", False))
    started = simulate_home(SPEC, 3, Wish(fault="dead", leg="l2", onset_day=1, hard="", values=values))
    assert started.truth["onset_on"] == date(2026, 6, 13)
    days = started.readings.group_by(pl.col("interval_start").dt.date(), maintain_order=True)
    level = days.agg(pl.col("l2_w").abs().median())["l2_w"].to_list()
    assert level[0] > 5 * (level[2] + 1)
    fixed = simulate_home(SPEC, 3, Wish(fault="dead", leg="l2", fixed_day=1, hard="", values=values))
    assert fixed.truth["fault"] == "sound"
    assert fixed.truth["severity"] == "dead l2 until 2026-06-13"


def test_the_register_tells_the_declared_scope_and_the_truth_the_true_one():
    record = simulate_home(SPEC, 1, Wish(fault="wrong_scope", hard=""))
    assert record.site["ct_sees_pv"] != record.truth["sees_pv_true"]


def test_a_training_fleet_has_faults_evenly():
    spec = FleetSpec(sites=240, days=1, minutes=60, seed=4, fault_share=0.6, hard_share=0.0)
    faults = pl.Series([record.truth["fault"] for record in simulate_homes(spec)])
    assert (faults != "sound").mean() == pytest.approx(0.6, abs=0.1)
    assert set(faults.unique()) == {*FAULTS, "sound"}


def test_rare_faults_keep_about_their_share():
    spec = FleetSpec(sites=400, days=1, minutes=60, seed=4, fault_share=0.1)
    shares = np.mean([record.truth["fault"] != "sound" for record in simulate_homes(spec)])
    assert shares == pytest.approx(0.1, abs=0.04)


def test_training_can_inject_into_clean_homes():
    record = report_home(Install(clean_home(SPEC, 0), "reversed", "l1", np.random.default_rng(1)))
    assert record.truth["fault"] == "reversed"


def test_open_specs_draw_their_own_season_and_interval():
    spec = FleetSpec(sites=30, days=1, minutes=None, end=None, seed=2)
    windows = [clean_home(spec, number).plan.window for number in range(spec.sites)]
    assert len({window.minutes for window in windows}) >= 3
    assert len({window.end.month for window in windows}) >= 6


def test_readings_have_the_contracts_columns_and_utc_times():
    readings = simulate_home(SPEC, 0).readings
    assert readings.schema["interval_start"] == pl.Datetime("us", "UTC")
    assert {"l1_w", "l2_w", "pv_w", "l1_v", "l2_var", "battery_w", "import_wh", "export_wh"} < set(
        readings.columns
    )
    assert readings["interval_start"].is_sorted()
    assert not any(readings[name].is_nan().any() for name in readings.columns[1:])


@pytest.mark.parametrize(
    ("hard", "is_seen"),
    [
        ("gaps", lambda r: r["interval_start"].n_unique() < 3 * 96 - 10),
        ("stale_repeats", lambda r: (r["l1_w"].diff() == 0).sum() >= 3),
        ("zero_dropouts", lambda r: ((r["l1_w"] == 0) & (r["l2_w"] == 0) & (r["pv_w"] == 0)).any()),
    ],
)
def test_the_loggers_habits_are_in_the_rows(hard, is_seen):
    values = (("service", "120/240"), ("volts", 120.0), ("is_plain", False))
    assert is_seen(simulate_home(SPEC, 2, Wish(fault="", hard=hard, values=values)).readings)


def test_a_new_site_has_rows_since_its_install_only():
    record = simulate_home(replace(SPEC, days=20), 2, Wish(fault="", hard="new_site"))
    assert record.readings["interval_start"].dt.date().min() == record.site["commissioned_on"]
    assert record.readings.height <= 6 * 96


def test_a_wrong_clock_puts_production_into_the_night():
    wish = {"fault": "", "values": (("is_plain", False),)}
    right = simulate_home(SPEC, 0, Wish(hard="", **wish)).readings["pv_w"].arg_max()
    wrong = simulate_home(SPEC, 0, Wish(hard="local_time", **wish)).readings["pv_w"].arg_max()
    assert (right - wrong) % 96 == 6 * 4  # Denver in summer: six hours early


def test_a_lake_is_written_the_same_twice_and_reads_back(tmp_path):
    write_lake(SPEC, tmp_path / "one")
    write_lake(SPEC, tmp_path / "two")
    assert digest(tmp_path / "one") == digest(tmp_path / "two")
    sites = pl.read_csv(tmp_path / "one" / "sites.csv")
    assert sites.columns == [name for name in SITE_COLUMNS if name not in {"pv_on", "lines_summed"}]
    assert sites.height == 16
    days = sorted(folder.name for folder in (tmp_path / "one" / "intervals").iterdir())
    assert days == ["date=2026-06-12", "date=2026-06-13", "date=2026-06-14"]
    day = pl.read_parquet(tmp_path / "one" / "intervals" / days[0] / "*.parquet", hive_partitioning=False)
    assert (day["interval_start"].dt.date() == date(2026, 6, 12)).all()
    assert day["site_id"].is_sorted()


def test_a_lake_is_not_written_over_or_left_open(tmp_path):
    write_lake(replace(SPEC, sites=1, days=1), tmp_path)
    with pytest.raises(InputError, match="holds intervals already"):
        write_lake(SPEC, tmp_path)
    with pytest.raises(InputError, match="give end and minutes"):
        write_lake(replace(SPEC, end=None), tmp_path / "other")
    with pytest.raises(InputError, match="7 minutes"):
        FleetSpec(sites=1, minutes=7)


def test_the_sample_lake_is_small_and_tells_every_fault(tmp_path):
    write_sample_lake(tmp_path)
    size = sum(file.stat().st_size for file in tmp_path.rglob("*") if file.is_file())
    assert size < 6_000_000
    truth = pl.read_csv(tmp_path / "truth.csv")
    assert truth.height == 72
    assert set(truth["fault"]) == {*FAULTS, "sound"}
    assert truth["hard_negative"].n_unique() >= 8
    visits = pl.read_csv(tmp_path / "visits.csv")
    assert {"sound", "reversed"} <= set(visits["found"])
    sites = pl.read_csv(tmp_path / "sites.csv", try_parse_dates=True)
    assert_visits_follow_installs(tmp_path, sites)


def assert_visits_follow_installs(lake, sites):
    visits = pl.read_csv(lake / "visits.csv", try_parse_dates=True).join(sites, on="site_id", how="left")
    assert visits.height > 0
    assert (visits["visited_on"] > visits["commissioned_on"]).all()


def test_past_visits_follow_the_install_and_come_before_the_window(tmp_path):
    write_lake(replace(SPEC, sites=100, days=1, minutes=60), tmp_path)
    assert_visits_follow_installs(tmp_path, pl.read_csv(tmp_path / "sites.csv", try_parse_dates=True))
    visits = pl.read_csv(tmp_path / "visits.csv", try_parse_dates=True)
    assert visits["visited_on"].max() <= date(2026, 6, 13)

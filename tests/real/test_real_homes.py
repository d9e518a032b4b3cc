"""The facts of the real data, and that nothing is lost or invented on the way to homes with two legs."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import pytest

from pipeline.core import sql_runner
from pipeline.core.contract import FAULTS
from pipeline.evaluation.validation.real_homes import DAYS, PLACE, STARTS, windows, write_real_lake
from pipeline.faults.catalogue import CATALOGUE
from pipeline.simulate.families.measurements import EVENT_W, deal, household, solar

START = STARTS[0]
MINUTES_IN_SOURCE = 2_075_259  # 16 December 2006 17:24 to 26 November 2010 21:02


def test_the_household_is_whole_but_for_the_gaps_the_package_filled() -> None:
    minutes = household()

    # the source tells of 25,979 minutes without a measurement (memory); a few others are copies by chance
    missing = MINUTES_IN_SOURCE - minutes.height
    assert 25_979 <= missing < 25_979 + 100
    assert minutes["wall_time"].is_sorted()
    assert minutes["wall_time"].n_unique() == minutes.height
    assert minutes.null_count().sum_horizontal()[0] == 0
    assert minutes["total_w"].mean() == pytest.approx(1092, abs=2)
    assert minutes["supply_v"].is_between(220, 256).all()


def test_a_known_gap_is_a_gap() -> None:
    gap = household().filter(
        pl.col("wall_time").is_between(datetime(2007, 4, 28, 0, 21), datetime(2007, 4, 30, 14, 23))
    )

    assert gap.height == 0


def test_the_array_is_real_and_lives_by_day() -> None:
    sun = solar()

    assert sun.height == 10_000
    assert sun["interval_start"].diff().drop_nulls().unique().to_list() == [timedelta(minutes=15)]
    assert sun["pv_w"].max() == pytest.approx(5426.4)
    con = duckdb.connect()
    con.execute(sql_runner.sql_text("macros"))
    times = sun.select("interval_start", length_min=pl.lit(15.0))
    con.register("interval_time", times.to_arrow())
    height = (
        sun.join(sql_runner.query(con, "sun_time", {}), on="interval_start")
        .with_columns(
            sine=np.sin(np.radians(PLACE["latitude"])) * pl.col("sin_declination")
            + np.cos(np.radians(PLACE["latitude"]))
            * pl.col("cos_declination")
            * (pl.col("greenwich_hour_angle_rad") + np.radians(PLACE["longitude"])).cos()
        )
        .select("pv_w", "sine")
    )
    assert height.filter(pl.col("sine") < -0.02)["pv_w"].max() < 5
    assert height.filter(pl.col("sine") > 0.3)["pv_w"].median() > 1000


def test_there_are_enough_different_homes() -> None:
    homes = [home for start in STARTS for home in windows(start)]

    assert len({home.name for home in homes}) == len(homes) == 20
    for home in homes:
        assert home.times.len() >= 0.95 * DAYS * 96
        assert home.times[0].date() >= home.start
        assert home.times[-1] < datetime.combine(home.start, datetime.min.time()) + timedelta(days=DAYS)
    # the long gaps of August and September 2010 leave no window there
    assert not any(home.name in ("2010-08-01", "2010-08-16", "2010-09-13") for home in homes)


def test_a_home_has_the_energy_of_its_source() -> None:
    home = windows(START)[1]
    from_the_source = household().filter(
        # 2 July 2008 0:00 UTC is 18:00 of the day before at Denver
        pl.col("wall_time").is_between(datetime(2008, 7, 1, 18), datetime(2008, 7, 31, 18), closed="left")
    )

    load_va = home.load_1_va + home.load_2_va

    assert home.minutes.sum() == from_the_source.height
    assert (load_va.real * home.minutes).sum() == pytest.approx(from_the_source["total_w"].sum(), rel=1e-9)
    assert (load_va.imag * home.minutes).sum() == pytest.approx(from_the_source["total_var"].sum(), rel=1e-9)


def test_dealing_loses_no_watt_and_gives_each_appliance_to_one_leg() -> None:
    base = np.full(60, 100.0)
    kettle, oven = np.zeros(60), np.zeros(60)
    kettle[10:14], oven[12:40] = 1800, 1200

    leg_1, leg_2 = deal(base + kettle + oven)

    assert leg_1 == pytest.approx(base / 2 + kettle)
    assert leg_2 == pytest.approx(base / 2 + oven)


def test_a_switch_within_a_minute_is_one_appliance() -> None:
    minutes = np.array([100.0] * 5 + [700.0] + [2100.0] * 5 + [1500.0] + [100.0] * 5)

    leg_1, leg_2 = deal(minutes)

    assert leg_2 == pytest.approx(np.full(17, 50.0))
    assert leg_1 == pytest.approx(minutes - 50)


def test_an_appliance_that_fades_is_taken_back() -> None:
    fading = np.concatenate([np.full(50, 100.0), np.arange(1500, 100, -EVENT_W / 3), np.full(50, 100.0)])

    leg_1, leg_2 = deal(fading)

    assert leg_1 + leg_2 == pytest.approx(fading)
    assert leg_2.min() >= 50 - 1e-9
    assert leg_1[-1] == pytest.approx(leg_2[-1])


@pytest.mark.parametrize("start", STARTS[::3])
def test_legs_are_independent_enough_and_never_dead(start) -> None:
    for home in windows(start):
        loads = home.load_1_va.real, home.load_2_va.real
        assert min(load.min() for load in loads) > 15
        assert 0.6 < loads[0].mean() / loads[1].mean() < 1.6
        assert np.corrcoef(np.diff(loads[0]), np.diff(loads[1]))[0, 1] < 0.7


def test_a_real_lake_holds_one_untouched_home_and_one_a_fault_for_each_window(tmp_path: Path) -> None:
    homes = windows(START)[:2]

    truth = write_real_lake(tmp_path, [("reversed", "l1", 0), ("dead", "l2", 1)], homes, with_volts=True)

    assert truth["fault"].value_counts().sort("fault").rows() == [("dead", 2), ("reversed", 2), ("sound", 2)]
    assert pl.read_csv(tmp_path / "sites.csv")["site_id"].to_list() == truth["site_id"].to_list()
    fleet = pl.read_parquet(tmp_path / "intervals" / "**" / "*.parquet", hive_partitioning=False)
    assert len(list((tmp_path / "intervals").iterdir())) == DAYS
    one = {
        name: fleet.filter(site_id=f"2007-07-02_{name}").sort("interval_start")
        for name in ("sound", "reversed_l1")
    }
    assert one["reversed_l1"]["l1_w"].to_list() == (-one["sound"]["l1_w"]).to_list()
    assert one["reversed_l1"]["l2_w"].to_list() == one["sound"]["l2_w"].to_list()
    # upstream of the tie-in a leg reads its load less half the PV
    home = homes[0]
    expected = home.load_1_va.real - home.pv_w / 2
    assert np.abs(one["sound"]["l1_w"].to_numpy() - expected).max() < 0.02 * np.abs(expected).max()
    assert one["sound"]["l1_v"].is_between(105, 130).all()


def test_every_fault_of_the_catalogue_can_be_injected(tmp_path: Path) -> None:
    faults = [(name, fault.legs_of(2)[0], 3) for name, fault in CATALOGUE.items()]

    truth = write_real_lake(tmp_path, faults, windows(START)[:1], with_volts=True)

    assert truth["fault"].to_list() == ["sound", *FAULTS]
    assert truth["severity"].str.len_chars().filter(truth["fault"] != "sound").min() > 0
    fleet = pl.read_parquet(tmp_path / "intervals" / "**" / "*.parquet", hive_partitioning=False)
    sound = fleet.filter(site_id=truth["site_id"][0]).select("l1_w", "l2_w", "pv_w")
    for site_id, fault in truth.filter(pl.col("fault") != "sound").select("site_id", "fault").rows():
        faulty = fleet.filter(site_id=site_id).select("l1_w", "l2_w", "pv_w")
        # only a wrong record leaves the readings as they are
        assert faulty.equals(sound) == (fault == "wrong_scope"), fault


def test_power_alone_is_a_lake_too(tmp_path: Path) -> None:
    write_real_lake(tmp_path, [], windows(START)[:1], with_volts=False)

    day = pl.read_parquet(tmp_path / "intervals" / f"date={START}" / "part.parquet")
    assert day.columns == ["site_id", "interval_start", "l1_w", "l2_w", "pv_w"]
    assert day.height == 96


def test_windows_of_different_dates_do_not_mix(tmp_path: Path) -> None:
    mixed = tuple(windows(start)[0] for start in STARTS[:2])

    with pytest.raises(ValueError, match="share their dates"):
        write_real_lake(tmp_path, [], mixed, with_volts=False)


def test_the_household_clock_follows_summer_time() -> None:
    """Its mornings keep their hour over October's change of clocks; a fixed clock moves them by 60 min."""
    by_minute = household().with_columns(day=pl.col("wall_time").dt.date())
    shifts = []
    for change in (datetime(2008, 10, 26), datetime(2009, 10, 25), datetime(2010, 10, 31)):
        before, after = (
            by_minute.filter(
                pl.col("day").is_between(change.date() + timedelta(a), change.date() + timedelta(b)),
                pl.col("wall_time").dt.weekday() <= 5,
            )
            .group_by(
                pl.col("wall_time").dt.hour().cast(pl.Int32) * 6 + pl.col("wall_time").dt.minute() // 10
            )
            .agg(pl.col("total_w").mean())
            .sort("wall_time")["total_w"]
            .to_numpy()
            for a, b in ((-19, -1), (1, 19))
        )
        morning = slice(30, 60)
        fit = {
            10 * by: np.corrcoef(before[morning], np.roll(after, by)[morning])[0, 1] for by in range(-9, 10)
        }
        shifts.append(max(fit, key=lambda by: fit[by]))
    assert np.abs(shifts).max() <= 20

"""What is hard about real homes is what was said of it, and nothing else."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from pipeline.evaluation.validation.fleets import injections
from pipeline.evaluation.validation.real_hard import DISTURBANCES, KINDS, without_production
from pipeline.evaluation.validation.real_homes import STARTS, windows, write_real_lake
from pipeline.faults.catalogue import CATALOGUE


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> pl.DataFrame:
    root: Path = tmp_path_factory.mktemp("hard")
    write_real_lake(root, [], windows(STARTS[0])[:1], with_volts=True)
    fleet = pl.read_parquet(root / "intervals" / "**" / "*.parquet", hive_partitioning=False)
    return fleet.sort("interval_start")


def after(home: pl.DataFrame, kind: str) -> pl.DataFrame:
    return DISTURBANCES[kind](home, np.random.default_rng(4))


def test_a_clock_that_is_off_moves_every_reading_alike(home: pl.DataFrame) -> None:
    moved = after(home, "clock_offset")

    peak = home.row(home["pv_w"].arg_max(), named=True)
    there = moved.filter(pl.col("pv_w") == peak["pv_w"], pl.col("l1_w") == peak["l1_w"])
    offset = there["interval_start"][0] - peak["interval_start"]
    shifted = home.with_columns(pl.col("interval_start") + offset)
    assert timedelta(hours=3) <= abs(offset) < timedelta(hours=12)
    assert moved.join(shifted, on=home.columns, how="inner").height == moved.height
    assert (
        moved["interval_start"].is_between(home["interval_start"].min(), home["interval_start"].max()).all()
    )


def test_dropouts_are_exactly_zero_on_every_channel(home: pl.DataFrame) -> None:
    lost = after(home, "zero_dropouts")

    is_changed = (lost["l1_w"] != home["l1_w"]).to_numpy()
    assert 0.02 < is_changed.mean() < 0.2
    assert (
        lost.filter(pl.Series(is_changed)).select(pl.exclude("site_id", "interval_start").abs().sum()).row(0)
        == (0,) * 7
    )


def test_two_minutes_of_turned_sign_leave_eleven_fifteenths(home: pl.DataFrame) -> None:
    glitched = after(home, "sign_glitches")

    ratio = (glitched["l1_w"] / home["l1_w"]).to_numpy()
    is_changed = np.abs(ratio - 1) > 0.05
    assert 0.01 < is_changed.mean() < 0.04
    assert np.median(ratio[is_changed]) == pytest.approx(11 / 15, abs=0.01)
    assert glitched["pv_w"].equals(home["pv_w"])


def test_gaps_and_stale_readings(home: pl.DataFrame) -> None:
    kept, held = after(home, "gaps"), after(home, "stale_repeats")

    assert 0.7 < kept.height / home.height < 0.95
    assert kept.join(home, on=home.columns, how="inner").height == kept.height
    repeats = (held["l1_w"] == held["l1_w"].shift(1)) & (held["l2_w"] == held["l2_w"].shift(1))
    assert repeats.mean() > (home["l1_w"] == home["l1_w"].shift(1)).mean() + 0.02
    assert held["interval_start"].equals(home["interval_start"])


def test_an_outage_takes_most_of_the_production(home: pl.DataFrame) -> None:
    pv_w = home["pv_w"].to_numpy()

    assert (without_production(pv_w, np.random.default_rng(1)) == 0).mean() >= 0.6


def test_every_kind_and_every_leg_of_every_fault_is_in_a_lake(tmp_path: Path) -> None:
    hard = [(kind, at) for at, kind in enumerate(KINDS)]

    truth = write_real_lake(tmp_path, injections(1), windows(STARTS[0])[:1], with_volts=True, hard=hard)

    assert set(truth["hard_negative"].drop_nulls()) == set(KINDS)
    assert set(truth.filter(pl.col("hard_negative").is_not_null())["fault"]) == {"sound"}
    legs = {(name, leg) for name, fault in CATALOGUE.items() for leg in fault.legs_of(2)}
    assert set(truth.filter(pl.col("fault") != "sound").select("fault", "leg").rows()) == legs
    assert truth["site_id"].n_unique() == truth.height
    assert {seed for *_, seed in injections(1)}.isdisjoint({seed for *_, seed in injections(2)})

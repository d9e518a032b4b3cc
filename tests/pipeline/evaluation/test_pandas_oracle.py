"""The bench's pandas comes to the night's numbers, column by column, and would be seen not to."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from pipeline.core import sql_runner
from pipeline.core.settings import load_settings
from pipeline.evaluation.pandas_oracle import day_features, differing, sun_of_day
from pipeline.features.day_store import Store
from pipeline.features.update_store import refresh_days
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec

SETTINGS = load_settings()
HOUR = ("site_id", "hour_start")


@dataclass(frozen=True)
class Both:
    """The day's site_day and site_hour as pandas has them and as the night does."""

    pandas_day: Any
    pandas_hour: Any
    day: pl.DataFrame
    hour: pl.DataFrame


def worked_out(lake_root: Path, root: Path, day: date, minutes: int) -> Both:
    lake, store = open_lake(lake_root), Store(root / "store")
    sites = read_registers(lake, day).sites
    store.root.mkdir(parents=True)
    con = sql_runner.connect(store.root, SETTINGS.engine)
    (stored,) = refresh_days(con, lake, [day], read_registers(lake, day), store, SETTINGS, root / "work")
    sun = sun_of_day(con, day, minutes, SETTINGS.day)
    con.close()
    files = sorted((lake_root / "intervals" / f"date={day}").glob("*.parquet"))
    ours = {
        name: pl.read_parquet(stored.paths(store, name), hive_partitioning=False)
        for name in ("site_day", "site_hour")
    }
    return Both(*day_features(files, sites, sun, SETTINGS.day, day), ours["site_day"], ours["site_hour"])


@pytest.fixture(scope="module")
def fleet(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, FleetSpec]:
    root = tmp_path_factory.mktemp("bench") / "lake"
    spec = FleetSpec(60, 1, 15, seed=5, fault_share=0.5)
    write_lake(spec, root)
    return root, spec


@pytest.fixture(scope="module")
def both(fleet: tuple[Path, FleetSpec], tmp_path_factory: pytest.TempPathFactory) -> Both:
    root, spec = fleet
    assert spec.end is not None
    return worked_out(root, tmp_path_factory.mktemp("both"), spec.end, 15)


def test_every_column_of_the_night_is_there_and_none_is_off(both: Both) -> None:
    assert set(both.pandas_day.columns) == set(both.day.columns) - {"register_key"}
    assert set(both.pandas_hour.columns) == set(both.hour.columns)
    assert both.day.height == 60
    assert differing(both.pandas_day, both.day) == {}
    assert differing(both.pandas_hour, both.hour, HOUR) == {}


def test_the_fleet_speaks_of_every_kind_of_column(both: Both) -> None:
    said = both.day.select(
        "n_lone_l1", "l1_night_p50", "d12_d", "vm_pm_d", "pair_log_ratio", "leak_l2", "s_am", "s_net_se", "s_l1_var",
        "nm_2p", "ne_battery",
    )  # fmt: skip

    assert [column.name for column in said if column.drop_nulls().n_unique() < 3] == []


def test_a_fleet_without_places_and_with_other_intervals_agree_too(
    fleet: tuple[Path, FleetSpec], tmp_path: Path
) -> None:
    base, spec = fleet
    assert spec.end is not None
    lake = tmp_path / "lake"
    shutil.copytree(base, lake)
    sites = pl.read_csv(lake / "sites.csv", infer_schema=False)
    sites.with_columns(timezone=pl.lit("UTC"), latitude=None, longitude=None).write_csv(lake / "sites.csv")
    (file,) = (lake / "intervals" / f"date={spec.end}").glob("*.parquet")
    rows = pl.read_parquet(file)
    slow = pl.col("site_id").str.tail(1) == "5"
    rows.filter(~slow | (pl.col("interval_start").dt.minute() == 0)).write_parquet(file)

    both = worked_out(lake, tmp_path, spec.end, 15)

    assert sorted(both.day["length_min"].unique()) == [15, 60]
    assert both.day["pv_cos_w"].null_count() == 60
    assert differing(both.pandas_day, both.day) == {}


def test_what_is_off_is_named_with_its_rows(both: Both) -> None:
    moved = both.pandas_day.assign(s_l1=both.pandas_day["s_l1"] + 1e-6, n_night=0).iloc[1:]

    found = differing(moved, both.day)

    assert set(found) == {"rows", "s_l1", "n_night"}
    assert found["rows"] == 1
    assert found["s_l1"] == both.day["s_l1"][1:].count()
    assert "l1_w" in differing(both.pandas_hour.assign(l1_w=0.0), both.hour, HOUR)


def test_a_number_that_only_one_of_both_has_is_off(both: Both) -> None:
    first = both.day["site_id"][0]
    gone = both.day.with_columns(
        pl.when(pl.col("site_id") != first).then(name).alias(name) for name in ("l1_all_w", "n_row")
    )

    assert differing(both.pandas_day, gone) == {"l1_all_w": 1, "n_row": 1}

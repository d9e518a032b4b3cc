"""What is said of a home doesn't depend, to the last digit, on which others are looked at and scored with it."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl
import pytest

from pipeline.core.settings import load_settings
from pipeline.core.sharding import SerialExecutor, TableStore
from pipeline.features.update_store import refresh_days
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers
from pipeline.nightly.home_tasks import look_at_window, score_homes
from pipeline.nightly.night_inputs import NightInputs, NightRequest
from pipeline.nightly.utility_meters import read_meters
from pipeline.scoring.model_file import load_model
from pipeline.scoring.score_homes import Scored
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec
from pipeline.storage.output_location import FolderOut

AS_OF = date(2025, 6, 14)


@pytest.fixture(scope="module", params=[None, "230/400"])
def lake(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> Path:
    """Eleven homes over six days of quarter hours, most with a fault, the last without a row.

    With three lines the third is read at some homes only, so that there are shards without any.
    """
    root = tmp_path_factory.mktemp("fleet") / "lake"
    write_lake(
        FleetSpec(11, 6, 15, 5, fault_share=0.7, end=AS_OF, utility_share=0.6, service=request.param), root
    )
    sites = pl.read_csv(root / "sites.csv", infer_schema=False)
    some = sites["site_id"][3:8].to_list()
    for file in (root / "intervals").rglob("*.parquet") if request.param else ():
        third = pl.when(pl.col("site_id").is_in(some)).then(pl.col(r"^l3_.*$"))
        pl.read_parquet(file, hive_partitioning=False).with_columns(third).write_parquet(file)
    pl.concat([sites, sites.tail(1).with_columns(site_id=pl.lit("Z"))]).write_csv(root / "sites.csv")
    return root


def scored(
    lake_root: Path, place: Path, homes_per_shard: int, tables: TableStore
) -> tuple[Scored, pl.DataFrame]:
    """Score the fleet in shards of a size; return what scoring leaves and the daily numbers."""
    settings = load_settings()
    limits = settings.lake.model_copy(update={"homes_per_shard": homes_per_shard})
    settings = settings.model_copy(update={"lake": limits})
    lake, days = open_lake(lake_root), tuple(open_lake(lake_root).days())
    inputs = NightInputs(
        NightRequest(lake_root, place, window_days=6), settings, lake, AS_OF, read_registers(lake, AS_OF), days, (),
        load_model(), "", None,
    )  # fmt: skip
    inputs.scratch.mkdir(parents=True)
    with inputs.connect() as con:
        executor = SerialExecutor(con, tables=tables)
        stored = refresh_days(
            con, lake, days, registers=inputs.registers, store=inputs.store, settings=settings,
            workdir=inputs.scratch, executor=executor,
        )  # fmt: skip
        meters = read_meters(inputs, stored, FolderOut(place), executor=executor)
        window = look_at_window(inputs, stored, meters, executor=executor)
        return score_homes(inputs, window, executor), window.view.daily


@pytest.fixture(scope="module")
def uncut(lake: Path, tmp_path_factory: pytest.TempPathFactory) -> tuple[Scored, pl.DataFrame]:
    return scored(lake, tmp_path_factory.mktemp("uncut") / "whole", 99, TableStore())


@pytest.mark.parametrize(("homes_per_shard", "is_shared"), [(1, False), (5, True)])
def test_any_cut_gives_the_same_to_the_last_digit(
    lake: Path, uncut: tuple[Scored, pl.DataFrame], tmp_path: Path, homes_per_shard: int, is_shared: bool
) -> None:
    whole, whole_daily = uncut
    tables = TableStore(tmp_path / "tables" if is_shared else None)
    parts, daily = scored(lake, tmp_path / "cut", homes_per_shard, tables)

    assert whole.scores.height == 12
    assert whole.signals.height == 11
    assert (whole.signals["meter_by"] == "utility file").sum() >= 3
    is_three = whole.signals["line_count"] == 3
    assert 2 < is_three.sum() < 11 if "slope_l3" in whole.signals.columns else not is_three.any()
    assert parts.signals.equals(whole.signals)
    assert daily.equals(whole_daily)
    assert parts.scores.equals(whole.scores)
    assert parts.fleet.table.equals(whole.fleet.table)
    assert (parts.fleet.rate, parts.fleet.normal) == (whole.fleet.rate, whole.fleet.normal)

"""Day statistics of a few homes' rows are the store's own."""

from __future__ import annotations

from contextlib import closing
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from stored_nights import SETTINGS

from pipeline.core import sql_runner
from pipeline.correction.day_stats import day_stats_of, put_day_stats
from pipeline.features.aggregates import HomeDays
from pipeline.features.day_store import Store
from pipeline.features.update_store import StoredDay, refresh_days
from pipeline.ingest.intervals import load_day
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers

SAMPLE = Path(__file__).parents[3] / "sample_lake"


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[StoredDay]]:
    root = tmp_path_factory.mktemp("stored")
    lake = open_lake(SAMPLE)
    days = lake.days()[5:7]
    con = sql_runner.connect(root, SETTINGS.engine)
    done = refresh_days(
        con, lake, days, registers=read_registers(lake, lake.days()[-1]), store=Store(root / "store"),
        settings=SETTINGS, workdir=root,
    )  # fmt: skip
    return root, done


def test_statistics_of_some_homes_are_those_of_the_nights_store(
    stored: tuple[Path, list[StoredDay]], tmp_path: Path
) -> None:
    root, days = stored
    lake = open_lake(SAMPLE)
    sites = read_registers(lake, lake.days()[-1]).sites
    homes = sites["site_id"].gather_every(3)
    con = sql_runner.connect(tmp_path, SETTINGS.engine)
    files = []
    for day in days:
        (path,) = day.paths(Store(root / "store"), "site_day")
        night = pl.read_parquet(path).filter(pl.col("site_id").is_in(homes.implode())).sort("site_id")
        used = used_rows(day.day, tmp_path).filter(pl.col("site_id").is_in(homes.implode()))

        found = day_stats_of(
            con,
            used.sample(fraction=1.0, shuffle=True, seed=1),
            day=day.day,
            sites=sites,
            settings=SETTINGS.day,
        )

        assert night.height > 5
        assert found.site_day.equals(night)
        assert found.line_day.is_empty()
        files.append(put_day_stats(tmp_path / "days", day.day, found)[0])
    held = HomeDays.of(files)
    assert held.days.to_list() == [day.day for day in days]
    assert set(held.homes) < set(homes)  # one in this sample sends nothing then


def used_rows(day: date, scratch: Path) -> pl.DataFrame:
    """The used rows of a day of the sample."""
    lake = open_lake(SAMPLE)
    with closing(sql_runner.connect(scratch, SETTINGS.engine)) as con:
        load_day(
            con,
            lake,
            day,
            registers=read_registers(lake, lake.days()[-1]),
            settings=SETTINGS,
            workdir=scratch,
        )
        return con.table("interval_used").pl().drop("key_us")


def test_a_day_without_rows_has_none(tmp_path: Path) -> None:
    lake = open_lake(SAMPLE)
    sites = read_registers(lake, lake.days()[-1]).sites
    con = sql_runner.connect(tmp_path, SETTINGS.engine)
    rows = pl.DataFrame(
        schema={"site_id": pl.String, "interval_start": pl.Datetime("us"), "l1_w": pl.Float64}
    )

    assert day_stats_of(con, rows, day=lake.days()[0], sites=sites, settings=SETTINGS.day).site_day.is_empty()

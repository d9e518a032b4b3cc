"""The merged statistics of the days equal one query over the window's raw intervals."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest
from day_oracle import build_day, select
from sql_tables import SETTINGS, default_params

from pipeline.core import sql_runner
from pipeline.features.aggregates import HomeDays, site_window
from pipeline.features.day_statistics import site_sky
from pipeline.features.window_features import WINDOW_TABLES, site_fact
from pipeline.ingest.intervals import load_day
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec

# Half of the homes have a fault, so that dead and mirrored legs are among them.
SPEC = FleetSpec(sites=8, days=7, minutes=15, seed=11, end=date(2026, 3, 31), fault_share=0.5)
WITHIN = 1e-9
DAY_ONLY = ("n_pv", "d_n_n", "d_n_d", "dpp_d", "d1p_d")  # statistics of the day that no feature is made of


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> tuple[pl.DataFrame, pl.DataFrame]:
    """(merged day by day, from raw intervals at once), one row a home each, sorted."""
    root = tmp_path_factory.mktemp("oracle")
    write_lake(SPEC, root / "lake")
    lake = open_lake(root / "lake")
    registers = read_registers(lake, lake.days()[-1])
    sky = site_sky(registers.sites, SETTINGS.day)
    con = sql_runner.connect(root, SETTINGS.engine)
    paths, raw, times = [], [], []
    for day in lake.days():
        load_day(con, lake, day, registers=registers, settings=SETTINGS, workdir=root / "work")
        raw.append(con.table("interval_used").pl())
        paths.append(root / f"{day}.parquet")
        build_day(con, sky, SETTINGS.day, day)[0].write_parquet(paths[-1])
        con.register("site_sky", sky.to_arrow())
        sql_runner.keep(con, select(con, "interval_length", default_params(day)), "interval_length")
        times.append(select(con, "interval_time", {}).pl())
    params = default_params(lake.days()[0])
    span = registers.sites.select("site_id", from_on=pl.lit(lake.days()[0]), to_on=pl.lit(lake.days()[-1]))
    con.register("site_window", site_window(HomeDays.of(paths), span, SETTINGS.feature).to_arrow())
    con.register("site_fact", site_fact(registers.sites).to_arrow())
    for table in WINDOW_TABLES:
        sql_runner.build(con, table, params)
    merged = con.table("site_window").pl().join(con.table("site_feature").pl(), on="site_id", suffix="_twice")
    days = pl.concat([pl.read_parquet(path) for path in paths])
    merged = merged.join(days.group_by("site_id").agg(pl.col(DAY_ONLY).sum()), on="site_id")

    con.execute("DROP TABLE interval_used")
    con.register("interval_used", pl.concat(raw).to_arrow())
    con.register("interval_time", pl.concat(times).unique().to_arrow())
    sql_runner.build(con, "sun_time", params)
    oracle = select(con, "window", params).pl()
    con.close()
    return merged.sort("site_id"), oracle


def test_the_fleet_has_what_the_oracle_is_to_judge(both: tuple[pl.DataFrame, pl.DataFrame]) -> None:
    _, oracle = both

    judged = {
        "sag_l1": 2,
        "meter_l1": 2,
        "leg_corr_night": 5,
        "step_corr_day": 5,
        "pv_corr_l1": 5,
        "sky_corr_pv": 5,
    }
    assert {name: oracle[name].count() for name in judged if oracle[name].count() < judged[name]} == {}


def test_merged_days_equal_the_window_at_once(both: tuple[pl.DataFrame, pl.DataFrame]) -> None:
    merged, oracle = both

    assert oracle["site_id"].to_list() == merged["site_id"].to_list()
    assert set(oracle.columns) <= set(merged.columns)
    for name in oracle.columns[1:]:
        found, wanted = merged[name].to_list(), oracle[name].to_list()
        assert [value is None for value in found] == [value is None for value in wanted], name
        pairs = [(one, other) for one, other in zip(found, wanted, strict=True) if other is not None]
        assert [one for one, _ in pairs] == pytest.approx(
            [other for _, other in pairs], rel=WITHIN, abs=1e-12
        ), name

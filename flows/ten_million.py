"""Capacity plan for ten million homes, measured on this machine in minutes: `python -m flows.ten_million`.

A fleet of copies of simulated homes is processed by the single machine and by local Dask clusters of growing size;
bytes and seconds a row, a home and a day are measured, and the plan follows from them by multiplication.
"""

import json
import os
import shutil
import tempfile
import time
from collections.abc import Callable
from contextlib import nullcontext, suppress
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
from cyclopts import App
from rich.console import Console

from flows.night_flow import SPREAD, PublishedWithAlarm, nightly
from flows.nightly import scheduling_server
from pipeline.core.settings import load_settings
from pipeline.core.steps import P, Step, T
from pipeline.evaluation.benchmark_fleet import copied_id
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import run_night
from pipeline.simulate.lake import write_lake
from pipeline.simulate.spec import FleetSpec

LAST_DAY = date(2025, 6, 14)
ROWS_A_DAY = 288
# Tables of a run that have a row a home of the fleet, and so are whole on the driver.
FLEET_TABLES = ("sites", "site_scores", "site_signal", "worth", "standing", "site_pulse", "change")
app = App(name="python -m flows.ten_million", help="Measures a capacity plan for ten million homes.")


@dataclass(frozen=True)
class Figures:
    """Measured on one machine's night: bytes a row, a home-day or a home; rows, home-days and homes a core second."""

    lake_bytes_row: float
    site_day_bytes: float
    site_hour_bytes: float
    take_rows_s: float
    look_home_days_s: float
    score_homes_s: float
    driver_s_home: float
    driver_bytes_home: float
    daily_bytes_home_day: float


@dataclass(frozen=True)
class Plan:
    """The same for a fleet: bytes of a day and of the store, core hours, driver hours and memory."""

    rows_day: float
    lake_day_gb: float
    store_gb: float
    core_h: float
    cores: float
    driver_h: float
    driver_gb: float


def plan(figures: Figures, homes: int, days: int, *, night_h: float) -> Plan:
    """Return the needs of a fleet.

    Parameters
    ----------
    figures
        What was measured.
    homes, days
        Of the fleet and its window, one of the days new.
    night_h
        Hours that the workers have.
    """
    rows = homes * ROWS_A_DAY
    seconds = (
        rows / figures.take_rows_s + homes * days / figures.look_home_days_s + homes / figures.score_homes_s
    )
    return Plan(
        rows_day=rows,
        lake_day_gb=rows * figures.lake_bytes_row / 1e9,
        store_gb=homes * days * (figures.site_day_bytes + figures.site_hour_bytes) / 1e9,
        core_h=seconds / 3600,
        cores=seconds / 3600 / night_h,
        driver_h=homes * figures.driver_s_home / 3600,
        driver_gb=homes * (figures.driver_bytes_home + days * figures.daily_bytes_home_day) / 1e9,
    )


def copied_lake(lake: Path, homes: int, days: int, *, simulated: int) -> int:
    """Return the bytes a day of a lake that is written.

    Parameters
    ----------
    lake
        Folder, new.
    homes, days
        How many it has.
    simulated
        Homes of which the others are copies under other names.
    """
    seeds = lake.with_name("seeds")
    write_lake(FleetSpec(simulated, days, 5, 7, fault_share=0.05, end=LAST_DAY), seeds)
    lake.mkdir()
    for register in ("crews", "visits", "trainings"):
        shutil.copy(seeds / f"{register}.csv", lake)
    copies = range(-(-homes // simulated))
    sites = pl.read_csv(seeds / "sites.csv")
    copied = pl.concat([sites.with_columns(copied_id(copy)) for copy in copies]).sort("site_id").head(homes)
    copied.write_csv(lake / "sites.csv")
    for folder in sorted((seeds / "intervals").iterdir()):
        day = pl.read_parquet(folder, hive_partitioning=False)
        (lake / "intervals" / folder.name).mkdir(parents=True)
        for copy in copies:
            # Numbers of its own, or the store would compress the copies away.
            scale = 1 + 0.3 * (copy % 97) / 97
            rows = day.with_columns(copied_id(copy)).filter(
                pl.col("site_id").is_in(copied["site_id"].implode())
            )
            rows = rows.with_columns((pl.col("l1_w", "l2_w", "pv_w") * scale).round(1))
            file = lake / "intervals" / folder.name / f"part-{copy:05d}.parquet"
            rows.write_parquet(file, compression="zstd")
    return sum(path.stat().st_size for path in (lake / "intervals").rglob("*.parquet")) // days


def single_night(lake: Path, out: Path) -> dict[str, Any]:
    """Run a night into an empty `out` on this machine; return its run.json, with each step's seconds of one core.

    Seconds of a core and not of the clock, so that a machine that is busy with other things measures alike.
    """
    core_s: dict[str, float] = {}

    def run_step(step: Step, function: Callable[P, T], *args: P.args, **kwargs: P.kwargs) -> T:
        start = time.process_time()
        result = function(*args, **kwargs)
        core_s[step] = time.process_time() - start
        return result

    run_night(NightRequest(lake, out), load_settings(), run_step)
    record: dict[str, Any] = json.loads((out / "latest" / "run.json").read_text(encoding="utf-8"))
    return {**record, "seconds": core_s}


def cluster_night(lake: Path, out: Path, workers: int) -> tuple[float, float]:
    """Run a night on so many local worker processes of one thread; return the clock's and all workers' seconds."""
    from distributed import Client, LocalCluster

    with (
        LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=None) as cluster,  # type: ignore[no-untyped-call]
        Client(cluster, set_as_default=False) as client,  # type: ignore[no-untyped-call]
    ):
        before = sum(client.run(time.process_time).values())
        start = time.perf_counter()
        with suppress(PublishedWithAlarm):
            nightly(str(lake), str(out), dask=cluster.scheduler_address)
        return time.perf_counter() - start, sum(client.run(time.process_time).values()) - before


def measured(run: Path, record: dict[str, Any], store: Path, *, lake_bytes_day: int) -> Figures:
    """Return the figures of a single machine's first night.

    Parameters
    ----------
    run, store
        Folders of the run and of the store.
    record
        Its run.json, as `single_night` returns it.
    lake_bytes_day
        Of `copied_lake`.
    """
    homes, rows, seconds = record["counts"]["homes"], record["counts"]["rows_in"], record["seconds"]
    days = len(record["days"])
    daily = pl.read_parquet(run / "site_daily.parquet")
    tables = [pl.read_parquet(run / f"{name}.parquet") for name in FLEET_TABLES]
    probes = pl.read_parquet(run / "site_weight.parquet")["probe"].n_unique() - 1

    def stored(table: str) -> float:
        size: int = sum(path.stat().st_size for path in (store / table).rglob("*.parquet"))
        return size / int(homes) / days

    return Figures(
        lake_bytes_row=lake_bytes_day / (rows / days),
        site_day_bytes=stored("site_day"),
        site_hour_bytes=stored("site_hour"),
        take_rows_s=rows / seconds[Step.TAKE_IN],
        look_home_days_s=homes * days / seconds[Step.LOOK_AT_WINDOW],
        score_homes_s=homes / seconds[Step.SCORE_HOMES],
        driver_s_home=(seconds[Step.MAKE_LISTS] + seconds[Step.WRITE_TABLES]) / homes,
        driver_bytes_home=sum(table.estimated_size() for table in tables) / homes + 8 * probes,
        daily_bytes_home_day=daily.estimated_size() / max(daily.height, 1),
    )


@app.default
def main(
    *,
    homes: int = 4000,
    days: int = 10,
    simulated: int = 50,
    homes_per_shard: int = 1000,
    workers: tuple[int, ...] = (1, 2),
    planned: int = 10_000_000,
    window_days: int = 30,
    night_h: float = 2.0,
) -> None:
    """Measure and plan.

    Parameters
    ----------
    homes, days, simulated
        The fleet that is measured, and how many of its homes are simulated; the others are copies.
    homes_per_shard
        Homes of one task on the clusters.
    workers
        Sizes of the clusters; 0 leaves them out.
    planned, window_days, night_h
        The fleet that is planned, its window, and the hours that its workers have.
    """
    tell: Callable[..., None] = Console(soft_wrap=True, highlight=False).print
    with tempfile.TemporaryDirectory(prefix="nightclamp-") as place:
        root = Path(place)
        size = copied_lake(root / "lake", homes, days, simulated=simulated)
        record, single = single_night(root / "lake", root / "single"), root / "single"
        figures = measured(single / "latest", record, single / "store", lake_bytes_day=size)
        for name, value in asdict(figures).items():
            tell(f"{name:24} {value:14,.6g}")
        spread_s = sum(record["seconds"][name] for name in SPREAD)
        tell(f"single machine           {spread_s:.1f} core seconds for what clusters share out")
        os.environ["NIGHTCLAMP_LAKE__HOMES_PER_SHARD"] = str(homes_per_shard)
        with scheduling_server() if any(workers) else nullcontext():
            for count in filter(None, workers):
                clock_s, core_s = cluster_night(root / "lake", root / f"cluster-{count}", count)
                tell(
                    f"{count} workers                {core_s:.1f} core seconds, {clock_s:.1f} s by the clock"
                )
        tell(f"planned: {planned:,} homes, {window_days} days, {night_h} h")
        for name, value in asdict(plan(figures, planned, window_days, night_h=night_h)).items():
            tell(f"{name:24} {value:14,.6g}")


if __name__ == "__main__":
    app()

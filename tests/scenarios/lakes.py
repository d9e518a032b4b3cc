"""A tiny lake on disk for tests: two homes, one crew, a day of quarter hours."""

import os
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import duckdb
import polars as pl

from pipeline.core import sql_runner
from pipeline.core.settings import load_settings
from pipeline.ingest.intervals import DayIntake, load_day
from pipeline.ingest.lake import Lake, open_lake
from pipeline.ingest.registers import read_registers

DAY = date(2025, 6, 1)
SITE_COLUMNS = "site_id,timezone,latitude,longitude,area,service,service_amps,pv_kw,ct_sees_pv,crew_id"
SITES = f"""{SITE_COLUMNS},commissioned_on
a,America/Denver,39.7,-105.0,north,120/240,200,7.6,true,c1,2024-01-01
b,America/Denver,39.8,-105.1,north,120/240,100,5.0,false,c1,2024-02-01
"""
CREWS = "crew_id,crew_name\nc1,First crew\n"
VISITS = "visit_id,site_id,visited_on,crew_id,found,leg,fixed,note\n"


def rows(site_id: str = "a", day: date = DAY, minutes: int = 15, **measures: float | None) -> pl.DataFrame:
    """A day of one home, every measure constant: l1_w 300, l2_w 200, pv_w 0 unless given."""
    midnight = datetime.combine(day, time())
    starts = [midnight + timedelta(minutes=m) for m in range(0, 1440, minutes)]
    held = {"l1_w": 300.0, "l2_w": 200.0, "pv_w": 0.0, **measures}
    constant = {name: pl.lit(value, dtype=pl.Float64) for name, value in held.items()}
    return pl.DataFrame({"interval_start": starts}).select(
        pl.lit(site_id).alias("site_id"), pl.col("interval_start").cast(pl.Datetime("us")), **constant
    )


def build_lake(root: Path, sites: str = SITES, crews: str = CREWS, visits: str = VISITS) -> Path:
    """Write the registers of a lake into `root`, with an empty intervals/."""
    (root / "intervals").mkdir(parents=True)
    (root / "sites.csv").write_text(sites, encoding="utf-8")
    (root / "crews.csv").write_text(crews, encoding="utf-8")
    (root / "visits.csv").write_text(visits, encoding="utf-8")
    return root


def put(
    root: Path, name: str, content: pl.DataFrame | str | bytes, day: date = DAY, arrived_h: float = 0
) -> Path:
    """Put a file of intervals into the lake as if it had arrived `arrived_h` hours after the day's end."""
    path = root / "intervals" / f"date={day}" / name
    path.parent.mkdir(parents=True, exist_ok=True)
    if isinstance(content, pl.DataFrame):
        if name.endswith(".parquet"):
            content.write_parquet(path)
        else:
            content.write_csv(path, datetime_format="%Y-%m-%dT%H:%M:%SZ")
    else:
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
    arrived = datetime.combine(day, time(), UTC).timestamp() + 3600 * (24 + arrived_h)
    os.utime(path, (arrived, arrived))
    return path


def only(frame: pl.DataFrame, number: int, **changed: object) -> pl.DataFrame:
    """The frame with its row `number` (from 0) changed."""
    is_it = pl.int_range(pl.len()) == number
    return frame.with_columns(
        pl.when(is_it).then(pl.lit(value)).otherwise(pl.col(name)).alias(name)
        for name, value in changed.items()
    )


def take_in(root: Path, day: date = DAY, as_of: date | None = None) -> tuple[DayIntake, pl.DataFrame]:
    """Load one day of the lake as a night would; return the intake and the rows of interval_used."""
    return take_in_lake(open_lake(root), day, as_of)


def take_in_lake(lake: Lake, day: date = DAY, as_of: date | None = None) -> tuple[DayIntake, pl.DataFrame]:
    settings = load_settings()
    workdir = lake.root.parent / "work"
    workdir.mkdir(exist_ok=True)
    con: duckdb.DuckDBPyConnection = sql_runner.connect(workdir, settings.engine)
    intake = load_day(
        con, lake, day, registers=read_registers(lake, as_of or day), settings=settings, workdir=workdir
    )
    used: pl.DataFrame = con.table("interval_used").pl().drop("key_us")
    con.close()
    return intake, used


def rejects_of(intake: DayIntake) -> pl.DataFrame:
    """An intake's rejects, all of them."""
    return pl.concat([pl.read_parquet(file) for file in intake.reject_files])


def reasons(intake: DayIntake) -> list[str]:
    """The distinct reasons of an intake's rejects, in order."""
    return rejects_of(intake)["reason"].unique(maintain_order=True).to_list()

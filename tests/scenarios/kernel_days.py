"""A day's statistics of rows that a test writes down, as the night works them out."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core import sql_runner
from pipeline.core.contract import MEASURES, Interval, Site
from pipeline.core.settings import load_settings
from pipeline.features.day_statistics import site_sky
from pipeline.features.kernels.day_tables import day_tables
from pipeline.ingest.used_rows import RowStream

SETTINGS = load_settings()


def register(*sites: dict[str, object]) -> pl.DataFrame:
    """Sites with every contract column, empty where not given."""
    schema = pl.Schema(Site)
    return pl.DataFrame([dict.fromkeys(schema) | site for site in sites], schema=schema)


DENVER = {
    "site_id": "a",
    "latitude": 39.7,
    "longitude": -105.0,
    "pv_kw": 10.0,
    "service": "120/240",
    "service_amps": 200.0,
}


def day_of(
    intervals: pl.DataFrame, sites: pl.DataFrame, tmp_path: Path, day: date
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return (site_day, site_hour) of these rows of the contract's intervals; columns left out are null."""
    sky = site_sky(sites, SETTINGS.day)
    schema = pl.Schema(Interval)
    whole = intervals.with_columns(
        pl.lit(None, dtype=kind).alias(name) for name, kind in schema.items() if name not in intervals.columns
    )
    start = pl.col("interval_start").dt.replace_time_zone(None)
    of_day = start.dt.epoch("us") - pl.lit(day).cast(pl.Datetime("us")).dt.epoch("us")
    keyed = whole.join(sky.select("site_id", "site_key"), on="site_id").select(
        (pl.col("site_key").cast(pl.Int64) * 86_400_000_000 + of_day).alias("key_us"), *MEASURES
    )
    con = sql_runner.connect(tmp_path, SETTINGS.engine)
    con.register("used", keyed.sort("key_us").to_arrow())
    try:
        return day_tables(con, RowStream(con.table("used")), sky, day=day, settings=SETTINGS.day)[:2]
    finally:
        con.close()

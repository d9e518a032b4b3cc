"""One UTC day of checked intervals -> one row a home: the statistics that the window merges."""

from __future__ import annotations

import hashlib
from datetime import date
from math import radians, sin
from typing import Any

import duckdb
import numpy as np
import polars as pl
import polars.selectors as cs

from pipeline.core import sql_runner
from pipeline.core.setting_sections import DaySettings
from pipeline.features.site_location import site_coordinates

# In the order in which they read each other.
DAY_TABLES = (
    "interval_length",
    "interval_time",
    "sun_time",
    "interval_step",
    "site_day_level",
    "site_day_step",
    "ramp",
    "site_day_ramp",
    "site_day_meter",
)
_KEY_COLUMNS = ("latitude", "longitude", "pv_kw", "service", "service_amps", "ct_sees_pv")


def day_params(settings: DaySettings, day: date) -> dict[str, Any]:
    """Return the $parameters of the day's tables: the [day] settings, and the sun's lines as sines."""
    return {
        **settings.model_dump(),
        "day": day,
        "dark_sin": sin(radians(settings.dark_deg)),
        "sun_sin": sin(radians(settings.sun_deg)),
    }


def site_sky(sites: pl.DataFrame, settings: DaySettings) -> pl.DataFrame:
    """Return what a day's statistics need of the register, one row a site.

    `site_key` numbers the sites; `sin_lat`, `cos_lat`, `lon_rad` place them under the sun (null where nothing
    tells); `is_load_side`: the register has the clamps at the loads; `pv_quiet_w` [W] is the production below which
    PV is quiet, `ramp_w` [W] the ramp that calibrates; `register_key` is a digest of the register's facts the day
    depends on.
    """
    placed = sites.select("site_id", *_KEY_COLUMNS[2:]).join(
        site_coordinates(sites), on="site_id", how="left", maintain_order="left"
    )
    latitude = np.radians(placed["latitude"].to_numpy())
    peak_w = pl.col("pv_kw").fill_null(0.0) * 1000
    facts = placed.select(
        pl.concat_str([pl.col(name).cast(pl.String).fill_null("") for name in _KEY_COLUMNS], separator="|")
    )
    keys = [hashlib.blake2b(fact.encode(), digest_size=6).hexdigest() for fact in facts.to_series()]
    return placed.select(
        pl.int_range(pl.len(), dtype=pl.Int32).alias("site_key"),
        "site_id",
        pl.Series("sin_lat", np.sin(latitude)).fill_nan(None),
        pl.Series("cos_lat", np.cos(latitude)).fill_nan(None),
        pl.col("longitude").radians().alias("lon_rad"),
        (~pl.col("ct_sees_pv")).fill_null(False).alias("is_load_side"),
        pl.max_horizontal(pl.lit(settings.pv_quiet_w), peak_w * settings.pv_quiet_share).alias("pv_quiet_w"),
        pl.max_horizontal(pl.lit(settings.ramp_min_w), peak_w * settings.ramp_share).alias("ramp_w"),
        pl.Series("register_key", keys, dtype=pl.String),
    )


def build_day(
    con: duckdb.DuckDBPyConnection, sky: pl.DataFrame, settings: DaySettings, day: date
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Return (site_day, site_hour) of the day whose rows stand in the table `interval_used`.

    `sky` is `site_sky(...)`. The tables in between are dropped again.
    """
    params = day_params(settings, day)
    con.register("site_sky", sky.to_arrow())
    for table in DAY_TABLES:
        sql_runner.build(con, table, params)
    # Counts come as numbers of 38 digits; a day has a few hundred rows.
    site_day = sql_runner.query(con, "site_day", params).with_columns(
        cs.decimal().cast(pl.Int32), cs.integer().cast(pl.Int32)
    )
    site_hour = sql_runner.query(con, "site_hour", params)
    for table in reversed(DAY_TABLES):
        con.execute(f'DROP TABLE "{table}"')
    con.unregister("site_sky")
    return site_day, site_hour

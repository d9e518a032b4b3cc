"""What a day's statistics are worked out with: the settings' lines, and what the register says of each home."""

from __future__ import annotations

import hashlib
from datetime import date
from math import radians, sin
from typing import Any

import numpy as np
import polars as pl

from pipeline.core.services import THREE_LINE_SERVICES
from pipeline.core.setting_sections import DaySettings
from pipeline.features.site_location import site_coordinates

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
    tells); `is_load_side`: the register has the CTs at the loads; `pv_quiet_w` [W] is the production below which
    PV is quiet, `ramp_w` [W] the ramp that calibrates; `register_key` is a digest of the register's facts the day
    depends on; `third_line_w` [W] is what a reading of a third line must exceed for the home to have one.
    """
    placed = sites.select("site_id", *_KEY_COLUMNS[2:]).join(
        site_coordinates(sites), on="site_id", how="left", maintain_order="left"
    )
    latitude = np.radians(placed["latitude"].to_numpy())
    peak_w = pl.col("pv_kw").fill_null(0.0) * 1000
    # One channel of all lines may read more than a line's; a home without the flag keeps its older digest.
    is_summed = sites.get_column("lines_summed", default=pl.Series([None], dtype=pl.Boolean)).fill_null(False)
    facts = placed.select(
        pl.concat_str([pl.col(name).cast(pl.String).fill_null("") for name in _KEY_COLUMNS], separator="|")
        + pl.when(pl.lit(is_summed)).then(pl.lit("|lines_summed")).otherwise(pl.lit(""))
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
        _third_line_w(is_summed).alias("third_line_w"),
    )


def _third_line_w(is_summed: pl.Series) -> pl.Expr:
    """Return the size [W] that a reading of a third line must exceed for the home to have one.

    A service of three lines has one whatever it reads; elsewhere zeros fill a column that the home has no line for. One
    channel that is the sum of all lines has no other beside it.
    """
    declared = (
        pl.when(pl.col("service").is_in(THREE_LINE_SERVICES).fill_null(False)).then(-1.0).otherwise(0.0)
    )
    return pl.when(pl.lit(is_summed)).then(float("inf")).otherwise(declared)

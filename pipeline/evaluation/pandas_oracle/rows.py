"""The day's rows with the sun over each, the regimes and the first differences: sql/interval_step.sql in pandas."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl

from pipeline.core import sql_runner
from pipeline.core.setting_sections import DaySettings
from pipeline.features.day_statistics import site_sky

_READ = [
    "site_id", "interval_start", "l1_w", "l2_w", "pv_w", "l1_v", "l2_v", "l1_var", "l2_var", "battery_w", "import_wh",
    "export_wh",
]  # fmt: skip
_LONGEST_MIN = 60
_STEPPED = ("l1_w", "l2_w", "probe_w", "pv_w", "battery_w", "l1_var", "l2_var", "vdiff_v", "vmean_v", "net_w")


def sun_of_day(
    con: duckdb.DuckDBPyConnection, day: date, minutes: int, settings: DaySettings
) -> pl.DataFrame:
    """Return table sun_time of every start of the day, `minutes` apart, and every length that a home's rows may have.

    A home whose rows have gaps is taken to have longer intervals.
    """
    first = pl.lit(day).cast(pl.Datetime("us"))
    starts = pl.select(interval_start=first + pl.duration(minutes=pl.int_range(0, 1440, minutes)))
    lengths = {float(length) for length in range(minutes, _LONGEST_MIN + 1, minutes)}
    lengths |= {settings.default_length_min, float(_LONGEST_MIN)}
    times = starts.join(pl.DataFrame({"length_min": sorted(lengths)}), how="cross")
    con.register("interval_time", times.to_arrow())
    return sql_runner.query(con, "sun_time", {})


def day_rows(files: Sequence[Path], sites: pl.DataFrame, sun: pl.DataFrame, p: dict[str, Any]) -> Any:
    """Return the rows of the files sorted by home and start, with the columns of interval_step.

    `p` holds the settings as `daystats.day_params` names them.
    """
    import pandas as pd  # type: ignore[import-untyped]

    rows = pd.concat([pd.read_parquet(file, columns=_READ) for file in files], ignore_index=True)
    rows["interval_start"] = rows["interval_start"].dt.tz_localize(None)
    rows = rows.drop_duplicates(["site_id", "interval_start"], keep="last")
    rows = rows.sort_values(["site_id", "interval_start"], ignore_index=True)
    rows["gap_min"] = rows.groupby("site_id")["interval_start"].diff().dt.total_seconds() / 60
    shortest = rows.groupby("site_id")["gap_min"].transform("min")
    rows["length_min"] = shortest.fillna(p["default_length_min"]).clip(upper=_LONGEST_MIN)
    rows["net_w"] = (rows["import_wh"] - rows["export_wh"]) * 60 / rows["length_min"]
    sky = site_sky(sites, DaySettings(**{name: p[name] for name in DaySettings.model_fields}))
    rows = rows.merge(sky.drop("register_key", "site_key").to_pandas(), on="site_id")
    rows = rows.merge(sun.to_pandas(), on=["interval_start", "length_min"])
    rows["site_id"] = rows["site_id"].astype("category")
    rows = rows.sort_values(["site_id", "interval_start"], ignore_index=True)
    _add_regimes(rows, p)
    _add_steps(rows, p)
    return rows


def _add_regimes(rows: Any, p: dict[str, Any]) -> None:
    hour_rad = rows["greenwich_hour_angle_rad"] + rows["lon_rad"]
    rows["hour_sin"], rows["hour_cos"] = np.sin(hour_rad), np.cos(hour_rad)
    rows["sun_sin"] = (
        rows["sin_lat"] * rows["sin_declination"]
        + rows["cos_lat"] * rows["cos_declination"] * rows["hour_cos"]
    )
    battery_w = rows["battery_w"].fillna(0)
    rows["probe_w"] = rows["pv_w"] + battery_w
    volts = rows[["l1_v", "l2_v"]]
    plausible = ((volts >= p["volt_low"]) & (volts <= p["volt_high"])).all(axis=1)
    rows["vdiff_v"] = (rows["l1_v"] - rows["l2_v"]).where(plausible)
    rows["vmean_v"] = volts.mean(axis=1).where(plausible)
    rows["is_pv_live"] = rows["pv_w"] > rows["pv_quiet_w"]
    quiet = rows["pv_w"] <= rows["pv_quiet_w"]
    rows["is_dark"] = (rows["sun_sin"] < p["dark_sin"]) | (rows["sun_sin"].isna() & quiet)
    rows["is_battery_idle"] = battery_w.abs() < p["battery_idle_w"]
    rows["is_night"] = (
        rows["is_dark"] & ~rows["is_pv_live"] & (rows["is_battery_idle"] | rows["is_load_side"])
    )


def _add_steps(rows: Any, p: dict[str, Any]) -> None:
    home = rows.groupby("site_id", observed=True)
    for name in _STEPPED:
        rows[f"d_{name}"] = home[name].diff()
    rows["d_battery_w"] = rows["d_battery_w"].fillna(0)
    for leg in ("l1", "l2"):
        rows[f"before_{leg}_w"] = home[f"{leg}_w"].shift()
        rows[f"twice_before_{leg}_w"] = home[f"{leg}_w"].shift(2)
    rows["is_step"] = rows["gap_min"] <= p["longest_gap_min"]
    still = rows["d_probe_w"].fillna(0).abs() < p["calm_w"]
    rows["is_calm"] = rows["is_step"] & (rows["is_night"] | still)

"""Some of a day's statistics as they are usually written: one pandas frame, diff and group-by. For the bench only."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl

from pipeline import warehouse
from pipeline.daystats import day_params, site_sky
from pipeline.setting_sections import DaySettings

READ = ["site_id", "interval_start", "l1_w", "l2_w", "pv_w", "battery_w"]


def sun_of_day(con: duckdb.DuckDBPyConnection, day: date, length_min: float) -> pl.DataFrame:
    """Return table sun_time of every interval of the day."""
    first = pl.lit(day).cast(pl.Datetime("us"))
    count = int(1440 // length_min)
    starts = pl.select(first + pl.duration(minutes=pl.int_range(count) * int(length_min))).to_series()
    times = pl.DataFrame({"interval_start": starts}).with_columns(length_min=pl.lit(length_min))
    con.register("interval_time", times.to_arrow())
    return warehouse.query(con, "sun_time", {})


def day_features(
    files: Sequence[Path], sites: pl.DataFrame, sun: pl.DataFrame, settings: DaySettings, day: date
) -> Any:
    """Return a pandas frame, one row a home, of columns of site_day under their own names (see sql/site_day.sql).

    Of tidy rows of one interval length, as bench fleets are but for a few homes; no row is checked.
    """
    import pandas as pd  # type: ignore[import-untyped]  # of an extra; imported where it is timed

    p = day_params(settings, day)
    rows = pd.concat([pd.read_parquet(file, columns=READ) for file in files])
    rows["interval_start"] = rows["interval_start"].dt.tz_localize(None)
    rows = rows.drop_duplicates(["site_id", "interval_start"], keep="last")
    sky = site_sky(sites, settings).drop("register_key", "site_key").to_pandas()
    rows = rows.merge(sky, on="site_id").merge(sun.to_pandas(), on="interval_start")
    rows = rows.sort_values(["site_id", "interval_start"])
    home = rows.groupby("site_id", sort=True)
    gap_min = home["interval_start"].diff().dt.total_seconds() / 60
    angle = rows["greenwich_hour_angle_rad"] + rows["lon_rad"]
    sun_sin = rows["sin_lat"] * rows["sin_declination"] + rows["cos_lat"] * rows["cos_declination"] * np.cos(
        angle
    )
    live = rows["pv_w"] > rows["pv_quiet_w"]
    dark = (sun_sin < p["dark_sin"]) | (sun_sin.isna() & (rows["pv_w"] <= rows["pv_quiet_w"]))
    idle = rows["battery_w"].fillna(0).abs() < p["battery_idle_w"]
    night = dark & ~live & (idle | rows["is_load_side"])
    step = gap_min <= p["longest_gap_min"]
    d1, d2 = home["l1_w"].diff().where(step), home["l2_w"].diff().where(step)
    both, probe = d1.notna() & d2.notna(), (rows["pv_w"] + rows["battery_w"].fillna(0))
    dp = probe.groupby(rows["site_id"]).diff().where(step)
    made: dict[str, Any] = {
        "n_row": pd.Series(True, rows.index),
        "n_dark": dark,
        "n_night": night,
        "n_step_row": step,
    }
    for leg, d in (("l1", d1), ("l2", d2)):
        value, size = rows[f"{leg}_w"], rows[f"{leg}_w"].abs()
        made |= {
            f"n_neg_{leg}_night": night & (value < -p["noise_w"]),
            f"{leg}_night_w": value.where(night), f"{leg}_day_w": value.where(~night),
            f"{leg}_{leg}_night": (value**2).where(night), f"{leg}_{leg}_day": (value**2).where(~night),
            f"{leg}_pv_day": (value * rows["pv_w"]).where(~night), f"n_zero_{leg}_dark": dark & (size < p["zero_w"]),
            f"d{leg[1]}{leg[1]}_n": (d**2).where(both & night), f"d{leg[1]}{leg[1]}_d": (d**2).where(both & ~night),
            f"d{leg[1]}p_d": (d * dp).where(~night), f"{leg}_all_w": value,
        }  # fmt: skip
    made |= {
        "d12_n": (d1 * d2).where(both & night), "d12_d": (d1 * d2).where(both & ~night),
        "pv_all_w": rows["pv_w"], "pv_pv_day": (rows["pv_w"] ** 2).where(~night), "pv_abs_w": rows["pv_w"].abs(),
    }  # fmt: skip
    sums = pd.DataFrame(made).groupby(rows["site_id"]).sum(min_count=1)
    nights = rows.loc[night].groupby("site_id")
    for leg in ("l1", "l2"):
        for share in (0.05, 0.50, 0.95):
            sums[f"{leg}_night_p{int(100 * share):02d}"] = nights[f"{leg}_w"].quantile(share)
    sums["pv_max_w"] = rows["pv_w"].abs().groupby(rows["site_id"]).max()
    return sums


def differing(pandas_rows: Any, site_day: pl.DataFrame, reach: float = 1e-9) -> Mapping[str, int]:
    """Return by column how many homes of both differ by more than this part, a missing number counting as 0."""
    mine = pl.from_pandas(pandas_rows.reset_index())
    both = mine.join(site_day, on="site_id", suffix="_sql")
    off = {}
    for name in mine.columns[1:]:
        left, right = (both[c].cast(pl.Float64).fill_nan(None).fill_null(0.0) for c in (name, f"{name}_sql"))
        off[name] = int(((left - right).abs() > reach * left.abs().clip(1.0)).sum())
    return {name: count for name, count in off.items() if count}

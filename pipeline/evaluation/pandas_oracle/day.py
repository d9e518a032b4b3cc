"""The whole day: what a home comes to, and its hourly means."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.core.setting_sections import DaySettings
from pipeline.evaluation.pandas_oracle.level import counts, quantiles, sums
from pipeline.evaluation.pandas_oracle.meter import meter
from pipeline.evaluation.pandas_oracle.ramp import slopes
from pipeline.evaluation.pandas_oracle.rows import day_rows
from pipeline.evaluation.pandas_oracle.step import alike, step_sums
from pipeline.features.day_statistics import day_params


def day_features(
    files: Sequence[Path], sites: pl.DataFrame, sun: pl.DataFrame, settings: DaySettings, day: date
) -> tuple[Any, Any]:
    """Return two pandas frames, of site_day (one row a home) and of site_hour (one a home and hour).

    Their columns have the names and units of sql/site_day.sql, all but register_key, and of sql/site_hour.sql. `files`
    hold the day's tidy rows, `sites` is the register, `sun` comes from `sun_of_day`.
    """
    import pandas as pd  # type: ignore[import-untyped]  # of an extra; imported where it is timed

    p = day_params(settings, day)
    rows = day_rows(files, sites, sun, p)
    parts = [
        counts(rows, p),
        sums(rows),
        quantiles(rows, p),
        step_sums(rows),
        alike(rows, p),
        slopes(rows, p),
        meter(rows),
    ]
    site_day = pd.concat(parts, axis=1).reset_index()
    site_day["site_id"] = site_day["site_id"].astype("str")
    site_day.insert(1, "day", pd.Timestamp(day))
    hour = rows["interval_start"].dt.floor("h").rename("hour_start")
    means = rows[["l1_w", "l2_w", "pv_w"]].groupby([rows["site_id"], hour], observed=True).mean()
    site_hour = means.astype("float32").reset_index()
    site_hour["site_id"] = site_hour["site_id"].astype("str")
    return site_day, site_hour

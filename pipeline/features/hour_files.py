"""Files of site_hour read together: a file has column l3_w only where a home in it has three lines."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import polars as pl

SITE_HOUR: Final = pl.Schema(
    {
        "site_id": pl.String(), "hour_start": pl.Datetime("us"),
        **dict.fromkeys(("l1_w", "l2_w", "pv_w", "battery_w"), pl.Float32()), "minutes": pl.Int16(),
        "l3_w": pl.Float32(),
    }
)  # fmt: skip


def scan_hours(files: Sequence[Path]) -> pl.LazyFrame:
    """Return the rows of some files of site_hour with every column, null where a file doesn't have it."""
    return pl.scan_parquet(
        list(files), glob=False, hive_partitioning=False, schema=SITE_HOUR, missing_columns="insert"
    )

"""Rows of a few homes on a UTC day -> their day statistics, the same numbers as the nightly store has of them."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.atomic_files import write_parquet
from pipeline.core.contract import MEASURES, THIRD_LINE
from pipeline.core.setting_sections import DaySettings
from pipeline.features.day_statistics import site_sky
from pipeline.features.kernels.day_tables import DayTables, day_tables
from pipeline.ingest.used_rows import UsedRows


def day_stats_of(
    con: duckdb.DuckDBPyConnection,
    rows: pl.DataFrame,
    *,
    day: date,
    sites: pl.DataFrame,
    settings: DaySettings,
) -> DayTables:
    """Return table site_day of the homes of `rows`, a row a home, sorted, and the others; empty without rows.

    Parameters
    ----------
    con
        A DuckDB, for where the sun stands.
    rows
        Used rows of the UTC day: `site_id`, `interval_start` (naive UTC), the contract's MEASURES as far as they are
        there; each interval once, in any order. Homes that `sites` doesn't have are passed over.
    day
        The UTC day.
    sites
        The register of at least these homes, every contract column present.
    settings
        Section [day].
    """
    sites = sites.sort("site_id")
    sky = site_sky(sites, settings)
    keyed = (
        rows.join(sky.select("site_id", "site_key"), on="site_id")
        .sort("site_key", "interval_start")
        .with_columns(
            *(pl.lit(None, pl.Float64).alias(name) for name in MEASURES if name not in rows.columns),
            minute=(pl.col("interval_start").dt.epoch("us") // 60_000_000) % 1440,
        )
    )
    blocks = []
    if keyed.height:
        home, minute = (keyed[name].to_numpy().astype(np.int64) for name in ("site_key", "minute"))
        has_third = "l3_w" in keyed.columns and keyed["l3_w"].count() > 0
        names = (*MEASURES, *THIRD_LINE) if has_third else MEASURES
        blocks.append(UsedRows(home, minute, {name: _numbers(keyed[name]) for name in names}))
    return day_tables(con, blocks, sky, day=day, settings=settings)


def put_day_stats(folder: Path, day: date, tables: DayTables) -> tuple[Path, Path]:
    """Write a day's statistics into `folder`, whole or not at all, and return the files that `history` reads.

    The first is of site_day, the second of line_day.
    """
    paths = folder / f"site_day-{day}.parquet", folder / f"line_day-{day}.parquet"
    for path, table in zip(paths, (tables.site_day, tables.line_day), strict=True):
        write_parquet(path, table, compression="lz4", is_synced=False)
    return paths


def _numbers(column: pl.Series) -> NDArray[np.float64]:
    return np.array(column.cast(pl.Float64).fill_null(float("nan")).to_numpy())  # a copy that can be written

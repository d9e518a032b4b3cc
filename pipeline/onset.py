"""Since when: one change point in a home's daily numbers, so that only the days after it speak.

A fast search over all homes (two-sample z at every split) finds who changed; the change-point library then places
the change of those few on all their series together.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path

import duckdb
import numpy as np
import polars as pl
import ruptures
from numpy.typing import NDArray

from pipeline import warehouse
from pipeline.settings import Settings

Float = NDArray[np.float64]
_SLOPES = ("slope_l1", "slope_l2")
_SHARES = (
    "night_l1_negative_share", "night_l2_negative_share", "tiny_l1_share", "tiny_l2_share",
)  # fmt: skip
CHANGES = {"site_id": pl.String, "changed_on": pl.Date, "change_z": pl.Float64, "change_of": pl.String}


def daily_numbers(
    con: duckdb.DuckDBPyConnection, day_files: Sequence[Path], settings: Settings
) -> pl.DataFrame:
    """Return table site_daily (see sql/site_daily.sql) of the window."""
    params = {**settings.feature.model_dump(), "day_files": [str(path) for path in day_files]}
    return warehouse.query(con, "site_daily", params)


def find_changes(daily: pl.DataFrame, first: date, last: date, settings: Settings) -> pl.DataFrame:
    """Return the homes whose daily numbers changed between `first` and `last`, and on which day.

    Columns `site_id`, `changed_on` (first day of the new state), `change_z` [standard errors], `change_of` (the
    series that moved most). Homes without a change have no row.
    """
    days = (last - first).days + 1
    homes = daily.select("site_id").unique().sort("site_id")["site_id"]
    if days < 2 * settings.onset.min_days or homes.is_empty():
        return pl.DataFrame(schema=CHANGES)
    placed = daily.select(
        pl.col("site_id").replace_strict(homes, pl.int_range(len(homes), eager=True)).alias("row"),
        (pl.col("day") - first).dt.total_days().alias("column"),
        *_SLOPES, *(f"{name}_se" for name in _SLOPES), *_SHARES,
    ).filter(pl.col("column").is_between(0, days - 1))  # fmt: skip
    rows, columns = placed["row"].to_numpy(), placed["column"].to_numpy()

    def spread(name: str) -> Float:
        grid = np.full((len(homes), days), np.nan)
        grid[rows, columns] = placed[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()
        return grid

    own = settings.onset
    values, weights, shifts = [], [], []
    for name in _SLOPES:
        value, error = spread(name), spread(f"{name}_se")
        known = np.isfinite(value) & np.isfinite(error)
        values.append(np.where(known, value, 0.0))
        weights.append(np.where(known, 1 / (np.where(known, error, 1.0) ** 2 + own.gain_sd**2), 0.0))
        shifts.append(own.gain_shift)
    for name in _SHARES:
        value = spread(name)
        known = np.isfinite(value)
        values.append(np.where(known, value, 0.0))
        weights.append(np.where(known, 1 / own.share_sd**2, 0.0))
        shifts.append(own.share_shift)
    best_z, best_series = _splits(values, weights, shifts, own.min_days)
    found = []
    for row in np.flatnonzero(best_z >= own.min_z):
        at = _place([v[row] for v in values], [w[row] for w in weights])
        if at is not None:
            name = (*_SLOPES, *_SHARES)[best_series[row]]
            found.append((homes[int(row)], first + timedelta(days=at), float(best_z[row]), name))
    return pl.DataFrame(found, schema=CHANGES, orient="row")


def _splits(
    values: list[Float], weights: list[Float], shifts: list[float], min_days: int
) -> tuple[Float, NDArray[np.int64]]:
    """Return the largest z over all splits of each home and the series it is in."""
    z_of = []
    for value, weight, shift in zip(values, weights, shifts, strict=True):
        before_w, before = np.cumsum(weight, axis=1), np.cumsum(weight * value, axis=1)
        after_w, after = before_w[:, -1:] - before_w, before[:, -1:] - before
        inner = slice(min_days - 1, value.shape[1] - min_days)
        safe_b, safe_a = np.maximum(before_w[:, inner], 1e-12), np.maximum(after_w[:, inner], 1e-12)
        moved = np.abs(before[:, inner] / safe_b - after[:, inner] / safe_a)
        z = moved / np.sqrt(1 / safe_b + 1 / safe_a)
        z_of.append(np.where(moved >= shift, z, 0.0).max(axis=1, initial=0.0))
    stacked = np.stack(z_of, axis=1)
    return stacked.max(axis=1), stacked.argmax(axis=1)


def _place(values: list[Float], weights: list[Float]) -> int | None:
    """Return the index of the first day after the change, by least squares on all series in units of their error."""
    known = np.sum([w > 0 for w in weights], axis=0) > 0
    days = np.flatnonzero(known)
    if days.size < 2:
        return None
    columns = []
    for value, weight in zip(values, weights, strict=True):
        has = weight[days] > 0
        if has.sum() < 2:
            continue
        filled = np.interp(days, days[has], value[days][has])
        columns.append(filled * np.sqrt(np.median(weight[days][has])))
    if not columns:
        return None
    search = ruptures.Dynp(model="l2", min_size=1, jump=1).fit(np.stack(columns, axis=1))
    at = search.predict(n_bkps=1)[0]
    return int(days[at]) if 0 < at < days.size else None

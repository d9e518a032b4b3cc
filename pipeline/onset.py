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
from ruptures.base import BaseCost

from pipeline import warehouse
from pipeline.settings import Settings

Float = NDArray[np.float64]
_SLOPES = ("slope_l1", "slope_l2")
_SHARES = (
    "night_l1_negative_share", "night_l2_negative_share", "tiny_l1_share", "tiny_l2_share",
)  # fmt: skip
_ZEROS = ("zero_l1_share", "zero_l2_share")  # zero while the rest lives
_NIGHTS = ("night_l1_w", "night_l2_w")
CHANGES = {
    "site_id": pl.String, "changed_on": pl.Date, "change_z": pl.Float64, "change_of": pl.String,
    "change_told": pl.String,
}  # fmt: skip
_TOLD = {
    "slope": ("slope of {leg} on PV", "{:+.2f} W per W"),
    "negative": ("share of {leg}'s night below zero", "{:.0%}"),
    "tiny": ("share of {leg} within a few watts of zero", "{:.0%}"),
    "zero": ("share of {leg} at zero while the rest lives", "{:.1%}"),
    "night": ("level of {leg}'s night", "{:.0f} W"),
}


def daily_numbers(
    con: duckdb.DuckDBPyConnection, day_files: Sequence[Path], settings: Settings
) -> pl.DataFrame:
    """Return table site_daily (see sql/site_daily.sql) of the window."""
    params = {**settings.feature.model_dump(), "day_files": [warehouse.as_named(path) for path in day_files]}
    return warehouse.query(con, "site_daily", params)


def find_changes(daily: pl.DataFrame, first: date, last: date, settings: Settings) -> pl.DataFrame:
    """Return the homes whose daily numbers changed between `first` and `last`, and on which day.

    Columns `site_id`, `changed_on` (first day of the new state), `change_z` [standard errors], `change_of` (the
    series that moved most), `change_told` (its medians before and after, in words). Homes without a change have no
    row.
    """
    days = (last - first).days + 1
    homes = daily.select("site_id").unique().sort("site_id")["site_id"]
    if days < 2 * settings.onset.min_days or homes.is_empty():
        return pl.DataFrame(schema=CHANGES)
    own = settings.onset
    placed = daily.select(
        pl.col("site_id").replace_strict(homes, pl.int_range(len(homes), eager=True)).alias("row"),
        (pl.col("day") - first).dt.total_days().alias("column"),
        *_SLOPES, *(f"{name}_se" for name in _SLOPES), *_SHARES, *_ZEROS, *_NIGHTS,
    ).filter(pl.col("column").is_between(0, days - 1))  # fmt: skip
    rows, columns = placed["row"].to_numpy(), placed["column"].to_numpy()

    def spread(name: str) -> Float:
        grid = np.full((len(homes), days), np.nan)
        grid[rows, columns] = placed[name].cast(pl.Float64).fill_null(float("nan")).to_numpy()
        return grid

    values, weights, shifts = [], [], []
    reported: dict[str, Float] = {}
    kinds = (
        (_SLOPES, own.gain_sd, own.gain_shift), (_SHARES, own.share_sd, own.share_shift),
        (_ZEROS, own.zero_sd, own.zero_shift), (_NIGHTS, own.night_sd, own.night_shift),
    )  # fmt: skip
    for names, least_sd, shift in kinds:
        for name in names:
            value = reported[name] = spread(name)
            if names is _ZEROS:
                value = np.sqrt(np.clip(value, 0.0, 1.0))  # a count's scatter grows with its root
            elif names is _NIGHTS:
                value = np.arcsinh(value / own.night_w)
            error = spread(f"{name}_se") if names is _SLOPES else np.zeros_like(value)
            known = np.isfinite(value) & np.isfinite(error)
            error = np.hypot(np.where(known, error, 1.0), least_sd)
            values.append(np.where(known, value, 0.0))
            weights.append(np.where(known, 1 / np.maximum(error, _day_to_day(value)[:, None]) ** 2, 0.0))
            shifts.append(shift)
    best_z, best_series = _splits(values, weights, shifts, own.min_days)
    found = []
    for row in np.flatnonzero(best_z >= own.min_z):
        at = _place([v[row] for v in values], [w[row] for w in weights])
        if at is not None:
            name = (*_SLOPES, *_SHARES, *_ZEROS, *_NIGHTS)[best_series[row]]
            z = float(best_z[row])
            told = _told(name, reported[name][row], at, z)
            found.append((homes[int(row)], first + timedelta(days=at), z, name, told))
    return pl.DataFrame(found, schema=CHANGES, orient="row")


def _told(name: str, line: Float, at: int, z: float) -> str:
    """Say how the series (days) stood before and after its day `at`."""
    kind = next(
        kind for kind in ("slope", "negative", "tiny", "zero", "night") if kind in name.removesuffix("_w")
    )
    label, number = _TOLD[kind]
    leg = "L1" if "l1" in name else "L2"
    before, after = line[:at], line[at:]
    sides = [number.format(np.nanmedian(side)) for side in (before, after) if np.isfinite(side).any()]
    return f"{label.format(leg=leg)} {' -> '.join(sides)}, {z:.0f} standard errors"


def _day_to_day(value: Float) -> Float:
    """Return each home's scatter of a series (homes, days), by the median size of its steps: one change can't move it.

    A normal series' steps are sqrt(2) as wide as the series; 1.4826 makes a median a standard deviation.
    """
    steps = np.diff(value, axis=1)
    steps = np.where(np.isfinite(steps), np.abs(steps), np.nan)
    told = np.isfinite(steps).any(axis=1)
    middle = np.zeros(len(value))
    middle[told] = np.nanmedian(steps[told], axis=1)
    scatter: Float = 1.4826 * middle / np.sqrt(2.0)
    return scatter


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


class _WeightedLevels(BaseCost):  # type: ignore[misc]  # ruptures ships no types
    """Cost of one stretch: weighted squares about each series' own mean; a day without a value has no weight."""

    model = "weighted levels"
    min_size = 1

    def fit(self, signal: Float) -> _WeightedLevels:
        """Take (days, 2 * series): the values of all series, then their weights."""
        self.signal = signal
        self.values, self.weights = np.split(signal, 2, axis=1)
        return self

    def error(self, start: int, end: int) -> float:
        """Return the cost of days `start` to `end` (not included)."""
        value, weight = self.values[start:end], self.weights[start:end]
        mean = (weight * value).sum(axis=0) / np.maximum(weight.sum(axis=0), 1e-12)
        return float((weight * (value - mean) ** 2).sum())


def _place(values: list[Float], weights: list[Float]) -> int | None:
    """Return the index of the first day after the change: two levels a series, least squares in units of their error.

    Where several days fit alike (nothing was known between) it is the last of them.
    """
    known = np.flatnonzero(np.sum(weights, axis=0) > 0)
    if known.size < 2:
        return None
    signal = np.column_stack([*(v[known] for v in values), *(w[known] for w in weights)])
    cost = _WeightedLevels()
    search = ruptures.Dynp(custom_cost=cost, min_size=1, jump=1).fit(signal)
    at = int(search.predict(n_bkps=1)[0])
    left = cost.error(0, at) + cost.error(at, known.size)
    while at + 1 < known.size and cost.error(0, at + 1) + cost.error(at + 1, known.size) <= left + 1e-6:
        at += 1
    return int(known[at]) if 0 < at < known.size else None

"""Since when: one change point in a home's daily numbers, so that only the days after it speak.

A fast search over all homes (two-sample z at every split) finds who changed; the change of those few is then placed
on all their series together.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import median

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.number_text import number
from pipeline.core.percent_text import percent
from pipeline.core.quantiles import quantiles
from pipeline.core.services import LINES
from pipeline.core.setting_sections import OnsetSettings
from pipeline.core.settings import Settings
from pipeline.features.change_point import place_steps

Float = NDArray[np.float64]
Int = NDArray[np.int64]
# Of each line; zeros are those while the rest lives.
_SLOPES, _SHARES, _ZEROS, _NIGHTS = (
    ("slope_{}",), ("night_{}_negative_share", "tiny_{}_share"), ("zero_{}_share",), ("night_{}_w",)
)  # fmt: skip
_TWO_LINES = LINES[:2]
CHANGES = {
    "site_id": pl.String, "changed_on": pl.Date, "change_z": pl.Float64, "change_of": pl.String,
    "change_told": pl.String,
}  # fmt: skip
_TOLD: dict[str, tuple[str, Callable[[float], str]]] = {
    "slope": ("response of {leg} to PV", lambda value: f"{number(value, 2, sign=True)} W per W"),
    "negative": ("{leg} below zero at night", lambda value: f"{percent(value)} of intervals"),
    "tiny": ("{leg} within a few watts of zero", lambda value: f"{percent(value)} of intervals"),
    "zero": (
        "{leg} at zero while the rest of the home draws power",
        lambda value: f"{percent(value)} of intervals",
    ),
    "night": ("overnight baseload of {leg}", lambda value: f"{number(value)} W"),
}


def find_changes(daily: pl.DataFrame, first: date, last: date, *, settings: Settings) -> pl.DataFrame:
    """Return the homes whose daily numbers changed between `first` and `last`, and on which day.

    Columns `site_id`, `changed_on` (first day of the new state), `change_z` [standard errors], `change_of` (the
    series that moved most), `change_told` (its medians before and after, in words). Homes without a change have no
    row. `daily` is table site_daily.

    Parameters
    ----------
    daily
        Table site_daily.
    first
        First day of the window.
    last
        Last day of the window.
    settings
        Section [onset] is used.
    """
    inside = daily["day"].is_between(first, last)
    if not inside.all():
        daily = daily.filter(inside)
    if "slope_l3" not in daily.columns:
        return _find(daily, first, last, onset=settings.onset, lines=_TWO_LINES)
    has_third = pl.any_horizontal(pl.col("night_l3_w", "slope_l3", "tiny_l3_share").is_not_null())
    is_three = daily.select(has_third.any().over("site_id")).to_series()
    parts = [
        _find(daily.filter(chosen), first, last, onset=settings.onset, lines=lines)
        for chosen, lines in ((~is_three, _TWO_LINES), (is_three, LINES))
    ]
    return pl.concat(parts).sort("site_id")


def _find(
    daily: pl.DataFrame, first: date, last: date, *, onset: OnsetSettings, lines: tuple[str, ...]
) -> pl.DataFrame:
    """Return `find_changes` of homes with so many lines: all lines are searched, and place a change together."""
    days = (last - first).days + 1
    homes = daily["site_id"].unique().sort()
    if days < 2 * onset.min_days or homes.is_empty():
        return pl.DataFrame(schema=CHANGES)
    home = daily["site_id"].cast(pl.Enum(homes)).to_physical().to_numpy().astype(np.int64)
    grids = _Grids(daily, home, first, (len(homes), days))
    series = _all_series(onset, lines)
    z = np.zeros((len(homes), len(series)))
    for column, series_of_home in enumerate(series):
        value, error = series_of_home.of(grids)
        # Means of what lies closer together than the least shift can't be that far apart: most homes' series do.
        known = np.where(np.isfinite(value) & np.isfinite(error), value, np.nan)
        reach = np.fmax.reduce(known, axis=1) - np.fmin.reduce(known, axis=1)
        moved = np.flatnonzero(reach >= series_of_home.shift * (1 - 1e-9))
        value, weight = series_of_home.weighed(value[moved], error[moved])
        z[moved, column] = _largest_z(value, weight, series_of_home.shift, onset.min_days)
    changed = np.flatnonzero(z.max(axis=1) >= onset.min_z)
    if not changed.size:
        return pl.DataFrame(schema=CHANGES)
    row_of = np.full(len(homes), -1)
    row_of[changed] = np.arange(len(changed))
    row = row_of[home]
    grids = _Grids(daily.filter(row >= 0), row[row >= 0], first, (len(changed), days))
    named = {series_of_home.name: grids[series_of_home.name] for series_of_home in series}
    weighed = [series_of_home.weighed(*series_of_home.of(grids)) for series_of_home in series]
    steps = place_steps(
        np.stack([value for value, _ in weighed]), np.stack([weight for _, weight in weighed])
    )
    changes = []
    for line, (home_row, step) in enumerate(zip(changed.tolist(), steps, strict=True)):
        if step is not None:
            name, most = series[int(z[home_row].argmax())].name, float(z[home_row].max())
            sentence = _told(name, named[name][line], step, most)
            changes.append((homes[home_row], first + timedelta(days=step), most, name, sentence))
    return pl.DataFrame(changes, schema=CHANGES, orient="row")


class _Grids:
    """Daily numbers as grids (homes, days), NaN where there is none."""

    def __init__(self, daily: pl.DataFrame, home: Int, first: date, shape: tuple[int, int]) -> None:
        self._daily, self._shape = daily, shape
        self._cells = home * shape[1] + (daily["day"] - first).dt.total_days().to_numpy()

    def __getitem__(self, name: str) -> Float:
        grid = np.full(self._shape, np.nan)
        grid.ravel()[self._cells] = self._daily[name].cast(pl.Float64).to_numpy()
        return grid


@dataclass(frozen=True)
class _Series:
    """One of the daily numbers, on the scale on which its scatter is alike everywhere; its least scatter and shift."""

    name: str
    least_sd: float
    shift: float
    scale: Callable[[Float], Float]

    def of(self, grids: _Grids) -> tuple[Float, Float]:
        """Return value and error (homes, days), NaN where unknown."""
        value = self.scale(grids[self.name])
        return value, grids[f"{self.name}_se"] if self.name.startswith("slope") else np.zeros_like(value)

    def weighed(self, value: Float, error: Float) -> tuple[Float, Float]:
        """Return value and weight, both 0 where value or error is unknown."""
        known = np.isfinite(value) & np.isfinite(error)
        error = np.hypot(np.where(known, error, 1.0), self.least_sd)
        weight = np.where(known, 1 / np.maximum(error, _day_to_day(value)[:, None]) ** 2, 0.0)
        return np.where(known, value, 0.0), weight


def _all_series(onset: OnsetSettings, lines: tuple[str, ...]) -> list[_Series]:
    def as_is(value: Float) -> Float:
        return value

    def root(value: Float) -> Float:
        grown: Float = np.sqrt(np.clip(value, 0.0, 1.0))  # a count's scatter grows with its root
        return grown

    def level(value: Float) -> Float:
        scaled: Float = np.arcsinh(value / onset.night_w)
        return scaled

    kinds: tuple[tuple[tuple[str, ...], float, float, Callable[[Float], Float]], ...] = (
        (_SLOPES, onset.gain_sd, onset.gain_shift, as_is), (_SHARES, onset.share_sd, onset.share_shift, as_is),
        (_ZEROS, onset.zero_sd, onset.zero_shift, root), (_NIGHTS, onset.night_sd, onset.night_shift, level),
    )  # fmt: skip
    return [
        _Series(name.format(line), sd, shift, scale)
        for names, sd, shift, scale in kinds
        for name in names
        for line in lines
    ]


def _told(name: str, line: Float, at: int, z: float) -> str:
    """Say how the series (days) stood before and after its day `at`."""
    kind = next(
        kind for kind in ("slope", "negative", "tiny", "zero", "night") if kind in name.removesuffix("_w")
    )
    label, write = _TOLD[kind]
    leg = next(line.upper() for line in LINES if line in name)
    sides = [side[~np.isnan(side)].tolist() for side in (line[:at], line[at:])]
    medians = [write(median(side)) for side in sides if side]
    return f"{label.format(leg=leg)} {' before, '.join(medians)} since ({z:.0f} standard errors)"


def _day_to_day(value: Float) -> Float:
    """Return each home's scatter of a series (homes, days), by the median size of its steps: one change can't move it.

    A normal series' steps are sqrt(2) as wide as the series; 1.4826 makes a median a standard deviation.
    """
    if value.shape[1] < 2:
        return np.zeros(len(value))
    steps = np.abs(np.diff(value, axis=1))
    (middle,) = quantiles(steps, np.isfinite(steps), (0.5,))
    scatter: Float = 1.4826 * np.nan_to_num(middle) / np.sqrt(2.0)
    return scatter


def _largest_z(value: Float, weight: Float, shift: float, min_days: int) -> Float:
    """Return the largest z over all splits of each home's series that move it by `shift` or more, 0 if none does."""
    before_w, before = np.cumsum(weight, axis=1), np.cumsum(weight * value, axis=1)
    after_w, after = before_w[:, -1:] - before_w, before[:, -1:] - before
    inner = slice(min_days - 1, value.shape[1] - min_days)
    safe_b, safe_a = np.maximum(before_w[:, inner], 1e-12), np.maximum(after_w[:, inner], 1e-12)
    moved = np.abs(before[:, inner] / safe_b - after[:, inner] / safe_a)
    z = moved / np.sqrt(1 / safe_b + 1 / safe_a)
    largest: Float = np.where(moved >= shift, z, 0.0).max(axis=1, initial=0.0)
    return largest

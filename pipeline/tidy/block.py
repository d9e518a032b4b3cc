"""A stretch of a file to grids of tidy homes; the rows of the others are told."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from pipeline.tidy.grid import CHANNELS, Bool, Float, Grid, Int

_MINUTE_US = 60_000_000
# Homes stand in lines as long as their rows, rounded up to this: short days don't become long lines of nothing, and
# how a home's sum rounds, which hangs on its line's length, doesn't hang on who else is worked on.
_STEP = 32
LEAST_ROWS = 3  # of a home's day: with fewer, what looks two rows back knows nothing at all


@dataclass(frozen=True)
class Limits:
    """By home of the register: the most its legs and array carry [W]; by column the fixed ranges."""

    leg_max_w: Float
    pv_max_w: Float
    fixed: dict[str, float]


def grids(
    table: pa.Table, start: Int, rows: Int, key: Int, day_us: int, limits: Limits, default_length_min: float
) -> Iterator[tuple[NDArray[np.int64], Grid]]:
    """Yield (positions in `start`, their grid) of the tidy runs, those of one interval length together.

    `table` holds interval_start and whichever of CHANNELS there are; a run begins at row `start`, has `rows` rows
    and is the home `key` of the register.
    """
    times = _microseconds(table["interval_start"])
    since = times - day_us
    columns = {name: _floats(table[name]) for name in CHANNELS if name in table.column_names}
    widths = -(-rows // _STEP) * _STEP
    for width in np.unique(widths):
        mine = np.flatnonzero(widths == width)
        slot = np.arange(int(width))
        is_row = slot[None, :] < rows[mine][:, None]
        at = start[mine][:, None] + np.minimum(slot[None, :], rows[mine][:, None] - 1)
        minute, is_good = _minutes(since[at], is_row)
        gap = np.where(is_row[:, 1:], np.diff(minute, axis=1), np.iinfo(np.int64).max)
        is_good &= (gap > 0).all(axis=1) & (rows[mine] >= LEAST_ROWS)
        least = gap.min(axis=1, initial=np.iinfo(np.int64).max)
        length = np.where(rows[mine] > 1, np.minimum(least, 60), min(default_length_min, 60.0)).astype(
            np.float64
        )
        values, has = {}, {}
        for name in CHANNELS:
            values[name], has[name], fits = _channel(columns.get(name), at, is_row, name, key[mine], limits)
            is_good &= fits
        is_good &= has["l1_w"] | has["l2_w"]
        for one in np.unique(length[is_good]):
            pick = np.flatnonzero(is_good & (length == one))
            yield (
                mine[pick],
                Grid(
                    minute[pick], is_row[pick], float(one),
                    {name: flag[pick] for name, flag in has.items()},
                    {name: lines[pick] for name, lines in values.items()},
                ),
            )  # fmt: skip


def _minutes(since: Int, is_row: Bool) -> tuple[Int, Bool]:
    """Return the minute of the day of each row, and the homes with all rows on whole minutes of the day."""
    minute = since // _MINUTE_US
    good = (minute * _MINUTE_US == since) & (minute >= 0) & (minute < 1440)
    return np.where(good, minute, 0), (good | ~is_row).all(axis=1)


def _channel(
    column: tuple[Float, Bool | None] | None, at: Int, is_row: Bool, name: str, key: Int, limits: Limits
) -> tuple[Float, Bool, Bool]:
    """Return (values, 0 for none; homes that have the channel; homes where it is all there and in range, or absent)."""
    if column is None:
        return np.zeros(at.shape), np.zeros(len(at), bool), np.ones(len(at), bool)
    flat, is_bad = column
    value = flat[at]
    value[~is_row] = np.nan
    is_null = np.isnan(value)
    nulls = np.count_nonzero(is_null, axis=1) - np.count_nonzero(~is_row, axis=1)
    rows = np.count_nonzero(is_row, axis=1)
    has, fits = nulls == 0, (nulls == 0) | (nulls == rows)
    if is_bad is not None:
        fits &= ~(is_bad[at] & is_row).any(axis=1)
    value[is_null] = 0.0
    if name in ("l1_w", "l2_w", "l1_var", "l2_var"):
        fits &= np.abs(value).max(axis=1, initial=0.0) <= limits.leg_max_w[key]
    elif name == "pv_w":
        fits &= np.abs(value).max(axis=1, initial=0.0) <= limits.pv_max_w[key]
    else:
        low = np.where(is_null, np.inf, value).min(axis=1, initial=np.inf)
        high = np.where(is_null, -np.inf, value).max(axis=1, initial=-np.inf)
        fits &= ~has | ((low >= limits.fixed[f"{name}_min"]) & (high <= limits.fixed[f"{name}_max"]))
    return value, has, fits


def _microseconds(column: pa.ChunkedArray) -> Int:
    whole = column.cast(pa.timestamp("us", column.type.tz)).cast(pa.int64())
    times: Int = pc.fill_null(whole, -1).combine_chunks().to_numpy()
    return times


def _floats(column: pa.ChunkedArray) -> tuple[Float, Bool | None]:
    """Return the values with NaN for null, and where a NaN was sent that is no null (None if nowhere)."""
    whole = column.cast(pa.float64()).combine_chunks()
    values: Float = whole.to_numpy(zero_copy_only=False)
    sent = np.isnan(values)
    if int(np.count_nonzero(sent)) == whole.null_count:
        return values, None
    return values, sent & whole.is_valid().to_numpy(zero_copy_only=False)

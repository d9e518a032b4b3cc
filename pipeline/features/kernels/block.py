"""A stretch of a file as arrays that homes are worked out from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from pipeline.features.kernels.compiled import Bool, Float, Int
from pipeline.features.kernels.rows import CHANNELS

_MINUTE_US = 60_000_000


@dataclass(frozen=True)
class Block:
    """Rows of a file: `channels` (CHANNELS, rows) with NaN for null, `minute` of the UTC day, -1 if no whole one of it.

    `bad` are the rows in which a NaN was sent that is no null.
    """

    channels: Float
    minute: Int
    bad: Int

    def has_bad(self, start: Int, rows: Int) -> Bool:
        """Return whether a bad row is among those of each run."""
        has: Bool = np.searchsorted(self.bad, start) < np.searchsorted(self.bad, start + rows)
        return has


def block_of(table: pa.Table, day_us: int) -> Block:
    """Return the rows of `table` (interval_start and whichever of CHANNELS there are); the day begins at `day_us`."""
    channels = np.full((len(CHANNELS), table.num_rows), np.nan)
    is_bad = np.zeros(table.num_rows, bool)
    for at, name in enumerate(CHANNELS):
        if name in table.column_names:
            column = table[name].cast(pa.float64()).combine_chunks()
            channels[at] = column.to_numpy(zero_copy_only=False)
            if np.count_nonzero(np.isnan(channels[at])) != column.null_count:
                is_bad |= np.isnan(channels[at]) & column.is_valid().to_numpy(zero_copy_only=False)
    return Block(channels, _minutes(table["interval_start"], day_us), np.flatnonzero(is_bad))


def _minutes(start: pa.ChunkedArray, day_us: int) -> Int:
    whole = start.cast(pa.timestamp("us", start.type.tz)).cast(pa.int64())
    times: Int = pc.fill_null(whole, day_us - 1).combine_chunks().to_numpy()
    since = times - day_us
    minute: Int = since // _MINUTE_US
    minute[(minute * _MINUTE_US != since) | (minute < 0) | (minute >= 1440)] = -1
    return minute

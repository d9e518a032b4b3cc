"""Many homes' days, one after the other."""

from __future__ import annotations

from itertools import accumulate
from typing import Any, NamedTuple

import numpy as np

from pipeline.features.kernels import level, meter, step
from pipeline.features.kernels.compiled import Float, Int, entry, put_counts
from pipeline.features.kernels.count import COUNTS, count_levels
from pipeline.features.kernels.level import hours, single_levels, sum_levels
from pipeline.features.kernels.meter import metered
from pipeline.features.kernels.ramp import RAMPS, ramps
from pipeline.features.kernels.rows import ROW, Channels, Sky, Sun, Thresholds, fill_rows
from pipeline.features.kernels.step import count_steps, sum_steps

_PARTS = (
    COUNTS, level.SUMS, level.ONES, step.COUNTS, step.SUMS, step.ONES, RAMPS, meter.SUMS, meter.ONES
)  # fmt: skip
COLUMNS = tuple(name for names in _PARTS for name in names)
_COLUMNS = len(COLUMNS)
_ENDS = tuple(accumulate(len(names) for names in _PARTS))
_MOST = max(len(names) for names in _PARTS)
WHOLE = frozenset((*COUNTS, *step.COUNTS, *level.WHOLE, "s_n", *meter.ONES))  # counts of rows


def work_out(
    start: Int,
    rows: Int,
    home: Int,
    channels: Channels,
    minute: Int,
    length_min: Float,
    sun_line: Int,
    sky: Sky,
    sun: Sun,
    thresholds: Thresholds,
) -> tuple[Float, Float, Float]:
    """Return (runs, COLUMNS), NaN for null; and rows and sums by hour as `hours` gives them, (runs, 4 or 3, 24).

    Parameters
    ----------
    start
        First row of each home, shape (homes,).
    rows
        How many rows each has.
    home
        Place of each in `sky`.
    channels
        The measures, shape (all rows,) each.
    minute
        Minute of the UTC day of each row.
    length_min
        Interval length of each home [min].
    sun_line
        Line in `sun` of that length.
    sky
        What the register says, a home each.
    sun
        Where the sun is, shape (lengths, 1440).
    thresholds
        The settings' numbers.
    """
    runs, most = len(start), int(rows.max())
    result = np.empty((runs, _COLUMNS)), np.zeros((runs, 4, 24)), np.zeros((runs, 3, 24))
    scratch = Scratch(
        np.empty(most, ROW),
        np.empty((6, most)),
        np.empty(most, np.int64),
        np.empty(_MOST),
        np.empty(_MOST, np.int64),
    )
    compute_homes(
        start, rows, home, channels, minute, length_min, sun_line, sky, sun, thresholds, scratch, *result
    )  # fmt: skip
    return result


class Scratch(NamedTuple):
    """Arrays to write in, long enough for any home: rows of ROW, numbers (6, rows), places of rows, sums, counts."""

    rows: Any
    numbers: Float
    lit: Int
    sums: Float
    counts: Int


@entry
def compute_homes(
    start: Int,
    rows: Int,
    home: Int,
    channels: Channels,
    minute: Int,
    length_min: Float,
    sun_line: Int,
    sky: Sky,
    sun: Sun,
    thresholds: Thresholds,
    scratch: Scratch,
    statistics: Float,
    hour_rows: Float,
    hour_sums: Float,
) -> None:
    """Write what `work_out` returns; arrays are made outside, where it costs no compiling."""
    r, numbers, lit, sums, counts = scratch
    for run in range(len(start)):
        home_number, size, length, value = home[run], rows[run], length_min[run], statistics[run]
        fill_rows(
            r, channels, minute, start[run], size, length, sky, home_number, sun, sun_line[run], thresholds
        )
        counts[:] = 0
        count_levels(r, size, sky.pv_quiet_w[home_number], thresholds, counts)
        put_counts(value[: _ENDS[0]], counts, size)
        sums[:] = 0.0
        sum_levels(r, size, length, sums, value[_ENDS[0] : _ENDS[1]])
        single_levels(r, size, length, thresholds, numbers[0], value[_ENDS[1] : _ENDS[2]])
        counts[:] = 0
        steps = count_steps(r, size, thresholds, numbers, counts, value[_ENDS[4] : _ENDS[5]])
        put_counts(value[_ENDS[2] : _ENDS[3]], counts, steps)
        sums[:] = 0.0
        sum_steps(r, size, sums, value[_ENDS[3] : _ENDS[4]])
        ramps(r, size, length, sky.ramp_w[home_number], thresholds, lit, numbers, value[_ENDS[5] : _ENDS[6]])
        sums[:] = 0.0
        metered(r, size, sums, value[_ENDS[6] : _ENDS[7]], value[_ENDS[7] :])
        hours(r, size, hour_rows[run], hour_sums[run])

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


class Scratch(NamedTuple):
    """Arrays to write in, long enough for any home: rows of ROW, numbers (6, rows), places of rows, sums, counts."""

    rows: Any
    numbers: Float
    lit: Int
    sums: Float
    counts: Int


def empty_scratch(most: int) -> Scratch:
    """Return scratch arrays for homes of up to `most` rows."""
    numbers, lit = np.empty((6, most)), np.empty(most, np.int64)
    return Scratch(np.empty(most, ROW), numbers, lit, np.empty(_MOST), np.empty(_MOST, np.int64))


def empty_results(homes: int) -> tuple[Float, Float, Float]:
    """Return what `compute_homes` fills for so many homes."""
    return np.empty((homes, _COLUMNS)), np.zeros((homes, 5, 24)), np.zeros((homes, 4, 24))


@entry
def compute_homes(
    start: Int,
    rows: Int,
    home: Int,
    channels: Channels,
    minute: Int,
    length_min: Float,
    sun_line: Int,
    volt_unit: Float,
    sky: Sky,
    sun: Sun,
    thresholds: Thresholds,
    scratch: Scratch,
    statistics: Float,
    hour_rows: Float,
    hour_sums: Float,
) -> None:
    """Fill the results of each home; arrays are made outside, where it costs no compiling.

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
    volt_unit
        What each home's volts are multiplied by for the limits of the settings, shape (homes,).
    sky
        What the register says, a home each.
    sun
        Where the sun is, shape (lengths, 1440).
    thresholds
        The settings' numbers.
    scratch
        `empty_scratch` of the longest home.
    statistics
        Shape (homes, COLUMNS), NaN for null, written to.
    hour_rows
        Shape (homes, 5, 24), as `hours` counts rows, written to.
    hour_sums
        Shape (homes, 4, 24) [W sum], as `hours` adds, written to.
    """
    r, numbers, lit, sums, counts = scratch
    for run in range(len(start)):
        home_number, size, length, value = home[run], rows[run], length_min[run], statistics[run]
        fill_rows(
            r, channels, minute, start[run], size, length, sky, home_number, sun, sun_line[run], volt_unit[run],
            thresholds,
        )  # fmt: skip
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

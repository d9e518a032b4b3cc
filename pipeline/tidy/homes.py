"""Many homes' days, one after the other: which can be taken as they stand, and what they give."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from pipeline.tidy.compiled import Float, Int, entry
from pipeline.tidy.level import LEVELS, hours, level_ranks, levels
from pipeline.tidy.meter import METER, meter
from pipeline.tidy.ramp import RAMPS, ramps
from pipeline.tidy.rows import CHANNELS, MOST_ROWS, Lines, Sky, Sun, empty_rows, fill_rows
from pipeline.tidy.step import STEPS, steps

COLUMNS = (*LEVELS, *STEPS, *RAMPS, *METER)
_LEVELS, _STEPS, _RAMPS, _METER = (len(names) for names in (LEVELS, STEPS, RAMPS, METER))
_COLUMNS = len(COLUMNS)
_CHANNELS = len(CHANNELS)


class Limits(NamedTuple):
    """By home of the register, the most its legs and array carry [W]; by channel, of those that have one, the range."""

    leg_max_w: Float
    pv_max_w: Float
    least: Float
    most: Float


@entry
def check_homes(
    start: Int, rows: Int, home: Int, channels: Float, minute: Int, limits: Limits, default_length_min: float
) -> Float:
    """Return the interval length of each run [min], 0 where its rows can't be taken as they stand.

    `channels` (CHANNELS, rows) has NaN for null; `minute` of the day is negative where that is no whole one.
    """
    lengths = np.zeros(len(start))
    for run in range(len(start)):
        gap = 60.0 if rows[run] > 1 else min(default_length_min, 60.0)
        is_good = rows[run] <= MOST_ROWS
        for at in range(start[run], start[run] + rows[run]):
            if not is_good:
                break
            if at > start[run]:
                gap = min(gap, float(minute[at] - minute[at - 1]))
            is_good = (
                minute[at] >= 0
                and gap > 0.0
                and not (np.isnan(channels[0, at]) and np.isnan(channels[1, at]))
            )
            for channel in range(_CHANNELS):
                value = channels[channel, at]
                if value != value:
                    continue
                if channel in (0, 1, 6, 7):
                    is_good &= abs(value) <= limits.leg_max_w[home[run]]
                elif channel == 2:
                    is_good &= abs(value) <= limits.pv_max_w[home[run]]
                else:
                    is_good &= limits.least[channel] <= value <= limits.most[channel]
        lengths[run] = gap if is_good else 0.0
    return lengths


@entry
def work_out(
    start: Int,
    rows: Int,
    home: Int,
    channels: Float,
    minute: Int,
    length_min: Float,
    sun_line: Int,
    sky: Sky,
    sun: Sun,
    lines: Lines,
) -> tuple[Float, Float, Float]:
    """Return (COLUMNS, runs), NaN for null; and rows and sums by hour as `hours` gives them, (4 or 3, 24, runs).

    Of each run: its first row and their number, its home in `sky`, its interval length and that one's line in `sun`.
    """
    runs = len(start)
    found = np.empty((_COLUMNS, runs))
    hour_rows, hour_sums = np.empty((4, 24, runs)), np.empty((3, 24, runs))
    r, room, lit = empty_rows(), np.empty((5, MOST_ROWS)), np.empty(MOST_ROWS, np.int64)
    value, known = np.empty(_COLUMNS), np.empty(_COLUMNS, np.bool_)
    count, total = np.empty((4, 24)), np.empty((3, 24))
    second, third, fourth = _LEVELS, _LEVELS + _STEPS, _LEVELS + _STEPS + _RAMPS
    for run in range(runs):
        own, size, length = home[run], rows[run], length_min[run]
        fill_rows(r, channels, minute, start[run], size, length, sky, own, sun, sun_line[run], lines)
        value[:], known[:], count[:], total[:] = 0.0, False, 0.0, 0.0
        levels(r, size, length, sky.pv_quiet_w[own], lines, value[:second], known[:second])
        level_ranks(r, size, room[0], value[:second], known[:second])
        steps(r, size, lines, room, value[second:third], known[second:third])
        ramps(r, size, length, sky.ramp_w[own], lines, lit, room, value[third:fourth], known[third:fourth])
        meter(r, size, value[fourth:], known[fourth:])
        hours(r, size, count, total)
        for column in range(_COLUMNS):
            found[column, run] = value[column] if known[column] else np.nan
        hour_rows[:, :, run], hour_sums[:, :, run] = count, total
    return found, hour_rows, hour_sums

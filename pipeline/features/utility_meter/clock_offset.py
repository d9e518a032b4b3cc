"""How far a meter's clock lies from the readings': where first differences of net power follow the readings' best."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from pipeline.features.utility_meter.series import HOUR_MIN, HomeHours, MeterSeries, net_power

Float = NDArray[np.float64]
Int = NDArray[np.int64]
# A meter's own steps are tried this far, whole hours (a wrong time zone, twelve hours for the half of a day) to a day.
_NEAR_MIN, _FAR_MIN = 180, 1440
_LEAST_LOG_ODDS = 30.0  # by which the shift must fit better than none, residuals taken as normal
_NEIGHBOUR_MIN = 90  # shifts within this of the best fit well because it does
_RIDGE_W2 = 1.0  # as of site_window_fit


@dataclass(frozen=True)
class Squares:
    """Sums over a home's first differences, (shifts,) each but `xx` (shifts, c, c) and `xy` (shifts, c).

    `xx`, `xy`: the c channels of `HomeHours` [W2]; `yy`: of the meter's net power; `n` differences.
    """

    xx: Float
    xy: Float
    yy: Float
    n: Int


def squares(meter: MeterSeries, hours: HomeHours, shifts: Int) -> Squares:
    """Return the sums of squares and products of first differences under each of `shifts` of the clock [min]."""
    net, is_known = net_power(meter, hours, shifts)
    follows = np.diff(hours.hour) == 1
    use = (is_known[:, 1:] & is_known[:, :-1] & follows).astype(float)
    y, x = np.diff(net, axis=1) * use, np.diff(np.nan_to_num(hours.means), axis=0)
    channels = x.shape[1]
    products = (x[:, :, None] * x[:, None, :]).reshape(-1, channels * channels)
    xx = (use @ products).reshape(-1, channels, channels)
    return Squares(xx, y @ x, (y * y).sum(axis=1), use.sum(axis=1).astype(np.int64))


def squares_left(sums: Squares, columns: tuple[int, ...] = ()) -> Float:
    """Return the squares [W2] of net power that these columns of the readings (none: all) leave unexplained."""
    chosen = list(columns or range(sums.xx.shape[1]))
    xx = sums.xx[:, chosen][:, :, chosen] + _RIDGE_W2 * np.eye(len(chosen))
    xy = sums.xy[:, chosen]
    explained = (np.linalg.solve(xx, xy[:, :, None])[:, :, 0] * xy).sum(axis=1)
    left: Float = np.maximum(sums.yy - explained, 0.0)
    return left


def tried_shifts(minutes: int) -> Int:
    """Return the shifts [min] that are tried of a meter with intervals of `minutes`, none among them."""
    near = np.arange(-_NEAR_MIN, _NEAR_MIN + 1, minutes)
    far = np.arange(-_FAR_MIN, _FAR_MIN + 1, HOUR_MIN)
    return np.unique(np.concatenate([near, far])).astype(np.int64)


def clock_offset_min(meter: MeterSeries, hours: HomeHours, offset_left: float) -> int:
    """Return by how much the meter's clock is ahead of the readings' [min], 0 unless another fits clearly better.

    Clearly: what the readings leave unexplained under the best shift is at most the share `offset_left` of what they
    leave without a shift, and of what any shift leaves that isn't its neighbour, which chance doesn't give
    (log odds of _LEAST_LOG_ODDS).

    Parameters
    ----------
    meter, hours
        The meter and the home's hours.
    offset_left
        [utility] offset_left.
    """
    shifts = tried_shifts(meter.minutes)
    sums = squares(meter, hours, shifts)
    with np.errstate(invalid="ignore", divide="ignore"):
        left = np.where(sums.n >= max(sums.n.max() // 2, 12), squares_left(sums) / sums.yy, np.nan)
    left = np.where(np.isfinite(left), np.maximum(left, 1e-9), np.inf)
    best, none = int(left.argmin()), int(np.flatnonzero(shifts == 0)[0])
    if best == none or not np.isfinite(left[best]):
        return 0
    others = np.abs(shifts - shifts[best]) > _NEIGHBOUR_MIN
    others[none] = True
    if left[best] > offset_left * left[others].min():
        return 0
    count = min(sums.n[best], sums.n[none] or sums.n[best])
    log_odds = count / 2 * np.log(min(left[none], 1.0) / left[best])
    return int(shifts[best]) if log_odds >= _LEAST_LOG_ODDS else 0

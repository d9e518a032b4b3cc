"""What of a watt a leg reads, by source, with errors that the fleet's own sound homes confirm.

How a leg answers production, the utility meter, and the other leg where 240 V loads step both. Each one's error is its
own standard error and how far the fleet's sound homes scatter beyond theirs.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.services import lines_of
from pipeline.probes.measured import LEGS, Measured, measure
from pipeline.probes.probe import INTERVALS
from pipeline.scoring.normal import MOST_TAIL, Normal, spread_column

Float = NDArray[np.float64]
SOURCES = ("production", "utility meter", "240 V loads")
SKEW = 0.1  # a lead in phase reads loads that lag by so much more than production or resistive ones ...
SKEW_208 = 0.2  # ... and on 120/208 the production, whose current stands 30 degrees off a leg's voltage
CHANCE_PAIRS = (
    0.15  # of a ratio's logarithm: so far towards 0 it may be drawn by steps of both legs by chance
)
_HALF_OF_NORMAL = 0.6745  # standard deviations within which half of a normal law lies
_SPAN = (0.05, 12.0)  # reading over truth; what lies outside is another fault or no measurement
_LARGEST_ERROR = 0.4  # of the logarithm: a source that errs by more says nothing
_FEWEST_PAIRS = 10
_LEAST_FIT = 0.5  # share of the meter's squares that the legs must explain


def leg_gains(
    signals: pl.DataFrame, normal: Normal, leg: NDArray[np.object_], *, remains: NDArray[np.object_]
) -> tuple[Float, Float]:
    """Return ln of reading over truth and its standard error by source, (n, legs, sources), NaN where it is silent.

    Parameters
    ----------
    signals, normal
        Table site_signal, a row an episode, of homes that all have three lines or all fewer; what is normal in the
        fleet.
    leg, remains
        Each episode's leg, and what its fault leaves of a reading (`Fault.remains`).
    """
    measured = measure(signals)
    shape = (measured.size, measured.line_count, len(SOURCES))
    value, error = np.full(shape, np.nan), np.full(shape, np.nan)
    spread = np.where(
        [len(lines_of(code, measured.line_count)) > 1 for code in leg.tolist()],
        _spread(measured, normal, "sun.gain", is_unchecked=True),
        _spread(measured, normal, "sun.gain"),
    )
    value[:, :, 0], error[:, :, 0] = _by_production(measured, normal, "sun.gain", spread=spread)
    value[:, :, 1], error[:, :, 1] = _by_meter(signals, measured, normal)
    if measured.line_count == len(LEGS):
        _by_other_leg(signals, measured, normal, leg, value=value, error=error)
    is_skewed = (remains == "share")[:, None]
    error[:, :, 1:] = np.where(is_skewed[..., None], np.hypot(error[:, :, 1:], SKEW), error[:, :, 1:])
    is_turned = is_skewed & (signals["service"] == "120/208").fill_null(False).to_numpy()[:, None]
    error[:, :, 0] = np.where(is_turned, np.hypot(error[:, :, 0], SKEW_208), error[:, :, 0])
    sees = measured.rights["sun.gain"] == 1.0
    value[(remains == "upstream share") & ~sees] = np.nan
    return _usable(value, error)


def _by_other_leg(
    signals: pl.DataFrame,
    measured: Measured,
    normal: Normal,
    leg: NDArray[np.object_],
    *,
    value: Float,
    error: Float,
) -> None:
    """Put in what the other one of two legs says of one: by 240 V loads, and by production where that is better."""
    contrast = measured.values["pairs.log_ratio"][:, 0]
    own_error, spread = measured.errors["pairs.log_ratio"][:, 0], _spread(measured, normal, "pairs.log_ratio")
    pair_error = np.sqrt(own_error**2 + spread**2 + (CHANCE_PAIRS * contrast) ** 2)
    enough = (signals["pair_n"].fill_null(0) >= _FEWEST_PAIRS).to_numpy()
    apart_error = _apart(measured, normal)
    for column, sign in enumerate((-1.0, 1.0)):  # the other leg is right, so the ratio is this leg's gain
        is_alone = leg == LEGS[column]
        value[:, column, 2] = np.where(enough & is_alone, sign * contrast, np.nan)
        error[:, column, 2] = np.where(enough & is_alone, pair_error, np.nan)
        against, against_error = _against(value[:, :, 0], measured, column)
        against_error = np.hypot(against_error, apart_error)
        is_better = is_alone & (against_error < error[:, column, 0])
        value[is_better, column, 0] = against[is_better]
        error[is_better, column, 0] = against_error[is_better]


def _against(log_gain: Float, measured: Measured, column: int) -> tuple[Float, Float]:
    """Return ln of a leg's gain over the other's, which is right, and the standard error by both slopes', (n,).

    Loads that follow the sun, cooling above all, are mostly between the legs: they move both alike.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        error = measured.errors["sun.gain"] / measured.values["sun.gain"]
    return log_gain[:, column] - log_gain[:, 1 - column], np.hypot(error[:, column], error[:, 1 - column])


def _apart(measured: Measured, normal: Normal) -> Float:
    """Return how far the logarithms of sound legs' gains lie apart, (n,), by the median of how far their gains do."""
    middle = spread_column(measured, normal, "sun.gain_apart", name="centre", otherwise=np.nan)
    return np.asarray(middle / _HALF_OF_NORMAL)


def _spread(measured: Measured, normal: Normal, key: str, *, is_unchecked: bool = False) -> Float:
    """Return how far sound homes scatter, (n,), so that their outer fifth fits too.

    Where no other leg is there to check by, the outer tenth counts as well, as far as it isn't the faulty homes.
    """
    spread, tail, outer = (
        spread_column(measured, normal, key, name=name, otherwise=1.0) for name in ("spread", "tail", "outer")
    )
    return np.asarray(spread * (np.sqrt(tail * np.clip(outer, tail, MOST_TAIL)) if is_unchecked else tail))


def _by_production(measured: Measured, normal: Normal, key: str, *, spread: Float) -> tuple[Float, Float]:
    """Return ln of the gain on production where the CTs see it; sound homes' own centre is a gain of 1.

    What makes loads follow the sun scales with the CT like the production itself, so errors are shares.
    """
    centre = spread_column(measured, normal, key, name="centre", otherwise=1.0)[:, None]
    sees = (measured.rights[key] == 1.0)[:, None] & (centre > 0.5)
    gain = np.where(sees & (measured.values[key] > 0), measured.values[key], np.nan)
    error = np.hypot(measured.errors[key] / gain, spread[:, None])
    return np.log(gain / np.where(sees, centre, 1.0)), error


def _by_meter(signals: pl.DataFrame, measured: Measured, normal: Normal) -> tuple[Float, Float]:
    """Return ln of the gain by the utility meter, where the legs explain what it counts.

    What they leave unexplained is noise of the meter's side, which doesn't move a gain, or of the leg's reading, which
    raises it by up to `noise`, its variance over that of what the leg explains. Which of both isn't known.
    """
    key = "meter.log_gain"
    centre = spread_column(measured, normal, key, name="centre", otherwise=0.0)[:, None]
    fits = (signals["meter_r2"].fill_null(0.0) > _LEAST_FIT).to_numpy()[:, None]
    metered = signals.select((INTERVALS * pl.col("meter_share")).cast(pl.Float64).fill_null(0.0)).to_series()
    noise = metered.to_numpy()[:, None] * measured.errors[key] ** 2
    doubt = np.log1p(noise) / 2
    value = np.where(fits, measured.values[key] - centre - doubt, np.nan)
    spread = _spread(measured, normal, key)[:, None]
    return value, np.sqrt(measured.errors[key] ** 2 + spread**2 + doubt**2)


def _usable(value: Float, error: Float) -> tuple[Float, Float]:
    low, high = np.log(_SPAN)
    with np.errstate(invalid="ignore"):
        usable = (value > low) & (value < high) & (error < _LARGEST_ERROR)
    return np.where(usable, value, np.nan), np.where(usable, error, np.nan)


def combine(value: Float, error: Float) -> tuple[Float, Float, NDArray[np.bool_]]:
    """Return the mean over the last axis weighted by inverse variance, its standard error, and which entries count.

    Where entries lie farther apart than their errors say, the error is widened by as much (Birge's ratio).
    """
    used = np.isfinite(value) & np.isfinite(error)
    weight = np.where(used, 1 / np.where(used, error, 1.0) ** 2, 0.0)
    total = weight.sum(axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = (weight * np.where(used, value, 0.0)).sum(axis=-1) / total
        chi2 = (weight * np.where(used, value - mean[..., None], 0.0) ** 2).sum(axis=-1)
        birge = np.sqrt(np.maximum(chi2 / np.maximum(used.sum(axis=-1) - 1, 1), 1.0))
        return mean, birge / np.sqrt(total), used


def home_ratio(signals: pl.DataFrame, normal: Normal) -> tuple[Float, Float]:
    """Return ln of configured over true ratio and its standard error, (n,): both legs read by the same factor."""
    measured = measure(signals)
    key = "sun.gain_sum"
    by_sun, sun_error = _by_production(measured, normal, key, spread=_spread(measured, normal, key))
    by_leg, leg_error = _by_meter(signals, measured, normal)
    spread = _spread(measured, normal, "meter.log_gain")
    leg_own = np.sqrt(np.maximum(leg_error**2 - spread[:, None] ** 2, 1e-12))
    by_meter, own_error, _ = combine(*_usable(by_leg, leg_own))
    value = np.column_stack([by_sun, by_meter])
    # What the fleet's meters err by is the same for both legs.
    error = np.column_stack([sun_error, np.hypot(own_error, spread)])
    mean, se, _ = combine(*_usable(value, error))
    return mean, se

"""Ratios of CT ratings that the trade mixes up: an estimate close to one, and to no other, is that one."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]
# Of homes with a wrong ratio, how many have another than the known ones, and where these may lie [ln of the ratio].
OTHER_SHARE = 0.1
OTHER_SPAN = (np.log(0.13), np.log(8.0))
LEAST_POSTERIOR = 0.95  # the known ratio is then a 95 % interval by itself


def snap_ratios(value: Float, error: Float, known: Float) -> tuple[Float, NDArray[np.bool_]]:
    """Return ln of the ratios, those of a known one exact, and which these are.

    Each known ratio is as likely beforehand, others lie anywhere in OTHER_SPAN. A known one is taken where it is
    likely to LEAST_POSTERIOR; what it is not by then is the chance that the interval misses.

    Parameters
    ----------
    value, error
        ln of the estimated ratio and its standard error, (n,); NaN where not known.
    known
        The known ratios of each, (n, k), NaN where there are fewer.
    """
    spikes = np.log(known)
    prior = (1 - OTHER_SHARE) / np.maximum(np.isfinite(spikes).sum(axis=1), 1)
    with np.errstate(invalid="ignore", divide="ignore"):
        off = (value[:, None] - spikes) / error[:, None]
        density = np.nan_to_num(np.exp(-(off**2) / 2) / (np.sqrt(2 * np.pi) * error[:, None]))
        likely = prior[:, None] * density
        share = likely / (likely.sum(axis=1) + OTHER_SHARE / (OTHER_SPAN[1] - OTHER_SPAN[0]))[:, None]
    snapped = value.copy()
    is_known = np.zeros(value.shape, dtype=np.bool_)
    for column in range(known.shape[1]):
        here = share[:, column] >= LEAST_POSTERIOR
        snapped[here] = spikes[here, column]
        is_known |= here
    return snapped, is_known

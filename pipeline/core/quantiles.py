"""Quantiles of many short lines at once, and of the normal law."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Z95 = 1.96  # standard errors that a 95 % interval reaches to either side

Float = NDArray[np.float64]


def quantiles(values: Float, where: NDArray[np.bool_], shares: tuple[float, ...]) -> list[Float]:
    """Return continuous quantiles over the marked values of each line (lines, values), NaN where none is marked."""
    count = where.sum(axis=1)
    ranked = np.sort(np.where(where, values, np.inf), axis=1)
    line = np.arange(len(values))
    results = []
    for share in shares:
        place = np.maximum(count - 1, 0) * share
        low = np.floor(place)
        part = place - low
        lower = ranked[line, low.astype(np.int64)]
        upper = ranked[line, np.ceil(place).astype(np.int64)]
        with np.errstate(invalid="ignore"):
            between = np.where(part == 0, lower, lower * (1.0 - part) + upper * part)
            results.append(np.where(count > 0, between, np.nan))
    return results

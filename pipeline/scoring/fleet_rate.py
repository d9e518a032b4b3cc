"""How many of this fleet's homes are faulty, by their own evidence: what the odds before the data should be.

Two groups (Efron 2004, as in `normal`): with r_i how many times likelier a home's data are under a fault than without,
the fleet's share p is where the sum of ln(1 - p + p r_i) is largest, and a weak prior (as if so many homes had been
looked at) keeps a fleet of few homes near the usual share.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]
LEAST, MOST = 0.001, 0.5


def fleet_rate(log_ratio: Float, usual: float, prior_homes: float) -> float:
    """Return the share of faulty homes, between LEAST and MOST.

    Parameters
    ----------
    log_ratio
        ln of how many times likelier each home's data are under a fault, (n,).
    usual
        Share before looking.
    prior_homes
        How many homes that share counts for.
    """
    ratio = np.exp(np.clip(log_ratio, -40.0, 40.0))
    rate = usual
    for _ in range(500):  # expectation and maximization; each step moves uphill
        faulty = rate * ratio / (1 - rate + rate * ratio)
        moved = float((faulty.sum() + usual * prior_homes) / (ratio.size + prior_homes))
        moved = min(max(moved, LEAST), MOST)
        if abs(moved - rate) < 1e-6 * rate:
            break
        rate = moved
    return round(moved, 6)

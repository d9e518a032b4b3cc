"""Intervals and tails of a share: how much so many faults of so many installs say."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

Float = NDArray[np.float64]
CONFIDENCE = 0.95
Z = float(stats.norm.ppf(0.5 + CONFIDENCE / 2))


def wilson(faults: Float, homes: Float) -> tuple[Float, Float]:
    """Return the ends of Wilson's 95 % score interval of faults / homes, by the continuous formula.

    Counts need not be whole, so nothing is rounded (NIST/SEMATECH e-Handbook 7.2.4.1; the same as scipy's for
    whole counts). No homes: 0 to 1.
    """
    known = homes > 0
    size = np.where(known, homes, 1.0)
    share = np.where(known, faults / size, 0.5)
    middle = (share + Z**2 / (2 * size)) / (1 + Z**2 / size)
    half = Z * np.sqrt(share * (1 - share) / size + Z**2 / (4 * size**2)) / (1 + Z**2 / size)
    low = np.where(known, np.clip(middle - half, 0, 1), 0.0)
    return low, np.where(known, np.clip(middle + half, 0, 1), 1.0)


def clopper_pearson(faults: Float, homes: Float, confidence: float = CONFIDENCE) -> tuple[Float, Float]:
    """Return the ends of the exact interval of faults / homes by the beta quantiles (Biometrika 26:404, 1934).

    Never covers less than it says, mostly more. No homes: 0 to 1.
    """
    out = (1 - confidence) / 2
    low = np.where(faults > 0, stats.beta.ppf(out, np.maximum(faults, 1e-12), homes - faults + 1), 0.0)
    high = np.where(
        faults < homes, stats.beta.ppf(1 - out, faults + 1, np.maximum(homes - faults, 1e-12)), 1.0
    )
    return low, high


def upper_tail(faults: Float, homes: Float, rate: Float | float) -> Float:
    """Return P(X >= faults) for X binomial(homes, rate), continued to counts that aren't whole.

    Regularised incomplete beta function, the binomial tail wherever counts are whole; 1 where faults <= 0.
    """
    has_faults = faults > 0
    others = np.maximum(homes - faults + 1, 1e-12)
    return np.where(has_faults, special.betainc(np.where(has_faults, faults, 1.0), others, rate), 1.0)

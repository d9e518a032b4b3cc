"""Control limits: which crews differ from the fleet, by exact limits, over-dispersion, and many crews at once.

Limits and tails are those of the binomial with the fleet's rate. Installs are counted as average ones that were
inspected: one without a visit, or an easy one, counts for less than one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special, stats

from pipeline.core.binomial_intervals import upper_tail

Float = NDArray[np.float64]
LIMITS = (0.001, 0.025, 0.975, 0.999)
_HALVINGS = 40
SEEN = 0.9  # share of crews that is nearly all


def outside_from(share: float, homes: Float, rate: float) -> Float:
    """Return the rate (0 to 1) beyond which `tails` calls a crew with these homes outside, on the side of `share`.

    `share` is of LIMITS: 0.975 is the upper limit of the two-sided level 0.05. 0 or 1 where no rate is beyond it.
    """
    low, high = np.zeros_like(homes), np.ones_like(homes)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        is_within = 1 - _mid_p_above(middle * homes, homes, rate) < share
        low, high = np.where(is_within, middle, low), np.where(is_within, high, middle)
    return (low + high) / 2


def seen_ratio(homes: Float, rate: float, level: float) -> Float:
    """Return how many times as often as the fleet a crew with these homes errs that lies above the limits mostly.

    That is in SEEN of such crews, the limits being those of the two-sided `level`; nan where no rate is high enough.
    By the beta quantile, continued to counts that aren't whole.
    """
    first = outside_from(1 - level / 2, homes, rate) * homes
    ratio: Float = special.betaincinv(np.maximum(first, 1e-9), homes - first + 1, SEEN) / rate
    return np.where((homes >= 1) & (first < homes) & (ratio * rate < 1), ratio, np.nan)


@dataclass(frozen=True)
class Dispersion:
    """`phi` how many times as much crews differ as by chance, winsorised; `p_value` of so much by chance; `crews`."""

    phi: float
    p_value: float
    crews: int


def over_dispersion(faults: Float, homes: Float, rate: float, *, winsor_share: float) -> Dispersion:
    """Return Spiegelhalter's phi: the mean square of the crews' winsorised z (his equations 8 and 9).

    z = (faults / homes - rate) / sqrt(rate (1 - rate) / homes). Winsorised, so that the crews that differ most don't
    hide themselves. The p-value is the chi-square tail, conservative since winsorised z vary less. Fewer than 3 crews,
    or a rate of 0 or 1: phi 1.

    Parameters
    ----------
    faults, homes
        Of each crew (n,), counted as inspected average installs.
    rate
        Of the fleet.
    winsor_share
        Of z at either end, set to the next one's.
    """
    has_homes = homes > 0
    if has_homes.sum() < 3 or not 0 < rate < 1:
        return Dispersion(1.0, 1.0, int(has_homes.sum()))
    z = (faults[has_homes] / homes[has_homes] - rate) / np.sqrt(rate * (1 - rate) / homes[has_homes])
    low, high = np.quantile(z, [winsor_share, 1 - winsor_share], method="inverted_cdf")
    total = float(np.sum(np.clip(z, low, high) ** 2))
    return Dispersion(total / z.size, float(stats.chi2.sf(total, z.size)), int(z.size))


def tails(faults: Float, homes: Float, rate: float) -> Float:
    """Return each crew's two-sided exact p-value of the fleet's rate: twice the smaller mid-p tail, at most 1."""
    above = _mid_p_above(faults, homes, rate)
    return np.where(homes > 0, np.minimum(1.0, 2 * np.minimum(above, 1 - above)), 1.0)


def _mid_p_above(faults: Float, homes: Float, rate: float) -> Float:
    """Return the mid-p chance of more faults than these."""
    both: Float = upper_tail(faults, homes, rate) + upper_tail(faults + 1, homes, rate)
    return both / 2

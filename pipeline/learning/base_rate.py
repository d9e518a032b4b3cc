"""How many homes of a fleet have a fault, and which, from visits that went only where one was suspected.

A visited home is faulty with the likelihood that its evidence gives it, whoever chose it by that evidence: given
the evidence, what is found says nothing of the choice. So the base rate is the one under which what visits found is
likeliest, not the share they found:

    log odds of home i at base rate b = a x (log odds at b0 - log odds of b0) + log odds of b

b0 is the rate the likelihoods were worked out with; a (1 if the evidence is neither over- nor understated) is
averaged over a normal around 1. A home on which the evidence is silent, one visited at random, counts fully; a
home that was near certain counts for next to nothing. The prior is a beta around the shipped rate, so few visits
move it little. The mix of faults likewise, among homes in which one was found, with a Dirichlet prior.
Prior shift: Saerens et al., Neural Computation 14:21, 2002; ignorable selection: Rubin, Biometrika 63:581, 1976.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit, log_softmax, logit

Float = NDArray[np.float64]
RATES = expit(np.linspace(logit(0.001), logit(0.9), 160))
SLOPES_SD = np.linspace(-2.5, 2.5, 21)
SURE = 1e-9  # likelihoods are kept this far from 0 and 1
LOW, HIGH = 0.05, 0.95


@dataclass(frozen=True)
class BaseRate:
    """Share of homes with a fault [0, 1]: mean and 90 % interval of what visits leave open; and what it rests on.

    `visits` went, `found` of them found a fault.
    """

    rate: float
    low: float
    high: float
    visits: int
    found: int


def base_rate(
    likelihoods: Float,
    is_faulty: NDArray[np.bool_],
    rate_used: float,
    *,
    prior_rate: float,
    prior_homes: float,
    slope_sd: float,
) -> BaseRate:
    """Return the fleet's base rate, by mean and interval.

    Parameters
    ----------
    likelihoods, rate_used
        Likelihood of any fault of each visited home before its visit (n,), and the base rate of these.
    is_faulty
        Whether the visit found a fault (n,).
    prior_rate, prior_homes
        Mean of the beta prior, and how many homes' worth it counts.
    slope_sd
        Standard deviation of the evidence's slope a around 1.
    """
    evidence = logit(np.clip(likelihoods, SURE, 1 - SURE)) - logit(rate_used)
    slopes = np.maximum(1.0 + slope_sd * SLOPES_SD, 0.05)
    # log-likelihood and prior on the grid (rates, slopes); the grid is even in log odds, hence no -1 in the beta.
    log_post = np.empty((RATES.size, slopes.size))
    for column, slope in enumerate(slopes):
        odds = logit(RATES)[:, None] + slope * evidence
        fit = -np.logaddexp(0.0, np.where(is_faulty, -odds, odds)).sum(axis=1)
        log_post[:, column] = fit - SLOPES_SD[column] ** 2 / 2
    log_post += (prior_homes * (prior_rate * np.log(RATES) + (1 - prior_rate) * np.log1p(-RATES)))[:, None]
    weight = np.exp(log_post - log_post.max()).sum(axis=1)
    weight /= weight.sum()
    low, high = (float(np.interp(level, np.cumsum(weight), RATES)) for level in (LOW, HIGH))
    return BaseRate(float(weight @ RATES), low, high, int(is_faulty.size), int(is_faulty.sum()))


def fault_mix(shares: Float, fault: NDArray[np.int64], prior_faults: float) -> Float:
    """Return the share of each of k faults among faulty homes, shape (k,), summing to 1.

    Parameters
    ----------
    shares
        Likelihoods of the k faults of each home in which a fault was found (n, k), worked out with all faults
        alike; only their ratios within a home count.
    fault
        Column of the fault that was found (n,).
    prior_faults
        How many faults' worth all being alike counts.
    """
    count = shares.shape[1]
    evidence = np.log(np.maximum(shares, SURE))

    def loss(point: Float) -> float:
        log_mix = log_softmax(point)
        fit = log_softmax(evidence + log_mix, axis=1)[np.arange(fault.size), fault].sum()
        return -float(fit + prior_faults / count * log_mix.sum())

    best = minimize(loss, np.zeros(count), method="L-BFGS-B")
    return np.asarray(np.exp(log_softmax(best.x)))

"""Empirical Bayes: the distribution of crews' true rates, and each crew's posterior.

The spread is a beta distribution, the maximum of the crews' joint likelihood. Where every home was inspected that is
the beta-binomial (Gelman et al., Bayesian Data Analysis, ch. 5); homes that weren't enter with their likelihoods. A
crew's own rate is averaged over the spreads that the fleet leaves open, each variance between crews being as good as
another beforehand (Morris, JASA 78:47, 1983): intervals that take the best spread for the truth are too short.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from pipeline.core.binomial_intervals import CONFIDENCE

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]
_MOST_ALIKE = 1e4  # homes that a prior can be worth: above it crews are as good as identical
_MEANS = np.linspace(-3.0, 3.0, 13)  # of the spread around the best one, in its standard errors
_WORTHS = np.exp(np.linspace(np.log(2.0), np.log(3e3), 25))


@dataclass(frozen=True)
class Shrunk:
    """`mean`, `low`, `high`: each crew's rate with its 95 % credible interval; `alpha`, `beta` of the best spread."""

    mean: Float
    low: Float
    high: Float
    alpha: float
    beta: float


@dataclass(frozen=True)
class Crews:
    """The crews' likelihoods over a grid of rates, up to a constant a crew.

    `log_likelihood` crews x grid, with the grid's steps in it; `log_rate`, `log_rest` log of the rate and of 1 - rate.
    """

    log_likelihood: Float
    log_rate: Float
    log_rest: Float

    @classmethod
    def on(cls, log_likelihood: Float, log_odds: Float) -> Crews:
        """Return them on a grid of the rate's rising `log_odds`."""
        step = np.log(np.gradient(log_odds))
        return cls(log_likelihood + step, -np.logaddexp(0, -log_odds), -np.logaddexp(0, log_odds))

    def joint(self, alpha: float, beta: float) -> Float:
        """Return log (likelihood x beta density x step); in log odds the density's exponents lose their - 1."""
        prior: Float = alpha * self.log_rate + beta * self.log_rest - special.betaln(alpha, beta)
        return self.log_likelihood + prior

    def evidence(self, log_odds: float, worth: float) -> float:
        """Return the log likelihood of the spread with that mean [log odds] and worth [homes]."""
        alpha, beta = special.expit(log_odds) * worth, special.expit(-log_odds) * worth
        joint = self.joint(alpha, beta)
        top = joint.max(axis=1)
        return float(np.sum(top + np.log(np.exp(joint - top[:, None]).sum(axis=1))))

    def evidence_and_slopes(self, log_odds: float, worth: float) -> tuple[float, Float]:
        """Return the evidence and its slopes along the mean's log odds and the log of the worth."""
        mean, rest = float(special.expit(log_odds)), float(special.expit(-log_odds))
        alpha, beta = mean * worth, rest * worth
        joint = self.joint(alpha, beta)
        top = joint.max(axis=1)
        share = np.exp(joint - top[:, None])
        whole = share.sum(axis=1)
        weight = (share / whole[:, None]).sum(axis=0)
        both, crews = special.digamma(worth), self.log_likelihood.shape[0]
        by_alpha = float(weight @ self.log_rate) - crews * (special.digamma(alpha) - both)
        by_beta = float(weight @ self.log_rest) - crews * (special.digamma(beta) - both)
        slopes = np.array([(by_alpha - by_beta) * worth * mean * rest, by_alpha * alpha + by_beta * beta])
        return float(np.sum(top + np.log(whole))), slopes


def best_spread(crews: Crews, start: float) -> tuple[float, float]:
    """Return alpha and beta of the likeliest spread; `start` is a rate to begin from. Without crews (1, 1)."""
    if crews.log_likelihood.shape[0] == 0:
        return 1.0, 1.0

    def negative(point: Float) -> tuple[float, Float]:
        value, slopes = crews.evidence_and_slopes(float(point[0]), float(np.exp(point[1])))
        return -value, -slopes

    fit = optimize.minimize(
        negative,
        np.array([special.logit(np.clip(start, 1e-4, 1 - 1e-4)), np.log(30.0)]),
        jac=True,  # by differences the end would hang on the numbers' last digits where the evidence is flat
        method="L-BFGS-B",
        bounds=[(-14.0, 14.0), (0.0, np.log(_MOST_ALIKE))],
        options={"ftol": 1e-13, "gtol": 1e-8},
    )
    mean, worth = float(special.expit(fit.x[0])), float(np.exp(fit.x[1]))
    return mean * worth, (1 - mean) * worth


def shrink(log_likelihood: Float, log_odds: Float, start: float, *, has_homes: Bool) -> Shrunk:
    """Return the crews' rates given their homes and how crews differ.

    Parameters
    ----------
    log_likelihood
        Crews x grid, up to a constant a crew.
    log_odds
        Of the rate at each grid point, rising.
    start
        A rate to begin the search from.
    has_homes
        The crews from which the spread is estimated.
    """
    every = Crews.on(log_likelihood, log_odds)
    known = Crews(every.log_likelihood[has_homes], every.log_rate, every.log_rest)
    alpha, beta = best_spread(known, start)
    posterior = np.zeros_like(log_likelihood)
    for mean, worth, weight in _spreads(known, alpha, beta):
        a, b = special.expit(mean) * worth, special.expit(-mean) * worth
        joint = every.joint(a, b)
        chance = np.exp(joint - joint.max(axis=1, keepdims=True))
        posterior += weight * chance / chance.sum(axis=1, keepdims=True)
    rate = special.expit(log_odds)
    tail = (1 - CONFIDENCE) / 2
    cumulative = np.cumsum(posterior, axis=1) - posterior / 2
    ends = [
        np.array([float(np.interp(share, row, rate)) for row in cumulative]) for share in (tail, 1 - tail)
    ]
    return Shrunk(posterior @ rate, ends[0], ends[1], alpha, beta)


def _spreads(crews: Crews, alpha: float, beta: float) -> list[tuple[float, float, float]]:
    """Return spreads (mean [log odds], worth [homes]) with their posterior weights, which add up to 1.

    The prior is flat in the mean and in the variance between crews, which in these coordinates is m (1 - m) / worth.
    """
    best = float(special.logit(alpha / (alpha + beta)))
    spreads = []
    for worth in _WORTHS:
        curve = [crews.evidence(best + move, worth) for move in (-0.05, 0.0, 0.05)]
        curvature = (2 * curve[1] - curve[0] - curve[2]) / 0.05**2
        sd = min(1.0, 1 / np.sqrt(curvature)) if curvature > 0 else 1.0
        for mean in best + sd * _MEANS:
            rate = special.expit(mean)
            prior = np.log(rate * (1 - rate)) - np.log(worth)
            spreads.append((mean, worth, crews.evidence(mean, worth) + prior + np.log(sd)))
    log_weights = np.array([log_weight for *_, log_weight in spreads])
    weights = np.exp(log_weights - log_weights.max())
    weights /= weights.sum()
    return [
        (mean, worth, float(weight))
        for (mean, worth, _), weight in zip(spreads, weights, strict=True)
        if weight > 1e-6
    ]

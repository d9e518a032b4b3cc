"""How often a crew's installs are wrong from the first day, fairly: the table the quality lead reads.

A home counts once. What a visit found first is a fact; a home nobody visited counts with its
likelihood. Faults that began after commissioning are shown beside and count against nobody. Homes of
which too little is known (unproven and not visited) are left out above and below the line.
"""

from __future__ import annotations

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import optimize, special, stats

from pipeline.contract import FAULTS, SOUND
from pipeline.setting_sections import CrewSettings

Float = NDArray[np.float64]

_MOST_ALIKE = 1e4  # homes that a prior can be worth: above it crews are as good as identical
_CONFIDENCE = 0.95


def crew_quality(
    scores: pl.DataFrame,
    sites: pl.DataFrame,
    crews: pl.DataFrame,
    visits: pl.DataFrame,
    settings: CrewSettings,
) -> pl.DataFrame:
    """Return one row a crew, those with enough homes first, the highest shrunk rate on top.

    Parameters
    ----------
    scores
        The night's `site_scores`: site_id, likelihood, verdict, fault_likelihoods, onset_on.
    sites, crews, visits
        The registers, no visit later than the night.

    Returns
    -------
    DataFrame
        `crew_id`, `crew_name`; `installs` homes of the crew; `judged` homes with a verdict or a conclusive
        visit; `confirmed_faults` homes whose first conclusive visit found a fault that no data date later
        than the first days; `expected_faults` sum of the other judged homes' likelihoods; `later_faults`
        the same of faults that began later, confirmed or likely; `rate` (confirmed + expected) / judged,
        `rate_low`, `rate_high` its Wilson 95 % interval; `fleet_rate` over all homes, also those of no
        known crew; `shrunk_rate` the mean of the crew's rate given its homes and how crews differ
        (beta-binomial); `is_ranked` judged is at least `min_judged`; `top_fault` most frequent among what
        was confirmed or is suspected, null if nothing is.
    """
    homes = _homes(scores, sites, visits, settings)
    by_crew = (
        homes.filter(pl.col("crew_id").is_not_null())
        .group_by("crew_id")
        .agg(
            pl.len().cast(pl.Int64).alias("installs"),
            pl.col("is_judged").sum().cast(pl.Int64).alias("judged"),
            pl.col("confirmed").sum().alias("confirmed_faults"),
            pl.col("expected").sum().alias("expected_faults"),
            pl.col("later").sum().alias("later_faults"),
        )
    )
    table = (
        crews.select("crew_id", "crew_name")
        .join(by_crew, on="crew_id", how="full", coalesce=True)
        .join(_top_fault(homes), on="crew_id", how="left")
        .with_columns(
            pl.col("installs", "judged", "confirmed_faults").fill_null(0).cast(pl.Int64),
            pl.col("expected_faults", "later_faults").fill_null(0.0),
        )
        .sort("crew_id")
    )
    faults = (table["confirmed_faults"] + table["expected_faults"]).to_numpy()
    judged = table["judged"].to_numpy().astype(np.float64)
    low, high = wilson(faults, judged)
    alpha, beta = beta_binomial_prior(faults[judged > 0], judged[judged > 0])
    total = homes.select("confirmed", "expected", "is_judged").sum().row(0)
    no_home = pl.col("judged") == 0
    return (
        table.with_columns(
            pl.Series("rate", np.divide(faults, judged, out=np.zeros_like(faults), where=judged > 0)),
            pl.Series("rate_low", low),
            pl.Series("rate_high", high),
            pl.lit((total[0] + total[1]) / total[2] if total[2] else None, dtype=pl.Float64).alias(
                "fleet_rate"
            ),
            pl.Series("shrunk_rate", (alpha + faults) / (alpha + beta + judged)),
            (pl.col("judged") >= settings.min_judged).alias("is_ranked"),
        )
        .with_columns(
            pl.when(~no_home).then(pl.col(name)).alias(name)
            for name in ("rate", "rate_low", "rate_high", "shrunk_rate")
        )
        .select(
            *(
                "crew_id",
                "crew_name",
                "installs",
                "judged",
                "confirmed_faults",
                "expected_faults",
                "later_faults",
            ),
            *("rate", "rate_low", "rate_high", "fleet_rate", "shrunk_rate", "is_ranked", "top_fault"),
        )
        .sort("is_ranked", "shrunk_rate", "crew_id", descending=[True, True, False], nulls_last=True)
    )


def _homes(
    scores: pl.DataFrame, sites: pl.DataFrame, visits: pl.DataFrame, settings: CrewSettings
) -> pl.DataFrame:
    """Return one row a home: whether it is judged, and its part in each count."""
    told = visits.filter(pl.col("found").is_in([*FAULTS, SOUND])).sort("visited_on", "visit_id")
    visited = told.group_by("site_id", maintain_order=True).agg(
        pl.col("found").first(),
        pl.col("visited_on").first(),
        (pl.col("found") != SOUND).any().alias("ever_faulty"),
    )
    joined = (
        sites.select("site_id", "crew_id", "commissioned_on")
        .join(
            scores.select("site_id", "likelihood", "verdict", "fault_likelihoods", "onset_on"),
            on="site_id",
            how="left",
        )
        .join(visited, on="site_id", how="left")
    )
    # a date of onset says "later" unless it lies in the first days; without one it was so from the first
    first_days = pl.col("commissioned_on") + pl.duration(days=settings.first_days)
    began_later = (pl.col("onset_on").is_not_null() & ~(pl.col("onset_on") <= first_days)).fill_null(True)
    is_visited = pl.col("found").is_not_null()
    was_wrong = is_visited & (pl.col("found") != SOUND)
    # an onset after the visit is about something else than what the visit found
    found_later = was_wrong & began_later & (pl.col("onset_on") <= pl.col("visited_on")).fill_null(False)
    is_suspect = pl.col("verdict") == "suspect"
    was_sound = is_visited & ~was_wrong
    likelihood = pl.col("likelihood").fill_null(0.0)
    is_judged = is_visited | (pl.col("verdict").is_not_null() & (pl.col("verdict") != "unproven"))
    return joined.with_columns(
        is_judged.fill_null(False).alias("is_judged"),
        is_suspect.fill_null(False).alias("is_suspect"),
        (was_wrong & ~found_later).fill_null(False).cast(pl.Int64).alias("confirmed"),
        pl.when(is_judged & ~is_visited & ~began_later).then(likelihood).otherwise(0.0).alias("expected"),
        pl.when(found_later | (was_sound & pl.col("ever_faulty")))
        .then(1.0)
        .when(is_judged & ~is_visited & began_later)
        .then(likelihood)
        .when(was_sound & is_suspect)
        .then(likelihood)
        .otherwise(0.0)
        .alias("later"),
    )


def _top_fault(homes: pl.DataFrame) -> pl.DataFrame:
    """Return crew_id and the fault with the largest sum of confirmed ones and of suspects' likelihoods."""
    confirmed = homes.filter(pl.col("confirmed") == 1).select(
        "crew_id", pl.col("found").alias("fault"), pl.lit(1.0).alias("size")
    )
    suspects = (
        homes.filter(pl.col("is_suspect") & (pl.col("expected") > 0))
        .select("crew_id", "fault_likelihoods")
        .unnest("fault_likelihoods")
        .unpivot([*FAULTS], index="crew_id", variable_name="fault", value_name="size")
    )
    return (
        pl.concat([confirmed, suspects.select("crew_id", "fault", "size")])
        .group_by("crew_id", "fault")
        .agg(pl.col("size").sum())
        .sort("size", "fault", descending=[True, False])
        .group_by("crew_id", maintain_order=True)
        .agg(pl.col("fault").first().alias("top_fault"))
    )


def wilson(faults: Float, homes: Float) -> tuple[Float, Float]:
    """Return the ends of Wilson's 95 % score interval of faults / homes, by the continuous formula.

    Expected faults are not whole, so the count is not rounded (NIST/SEMATECH e-Handbook 7.2.4.1; the
    same as scipy's for whole counts). No homes: 0 to 1.
    """
    z = float(stats.norm.ppf(0.5 + _CONFIDENCE / 2))
    known = homes > 0
    size = np.where(known, homes, 1.0)
    share = np.where(known, faults / size, 0.5)
    middle = (share + z**2 / (2 * size)) / (1 + z**2 / size)
    half = z * np.sqrt(share * (1 - share) / size + z**2 / (4 * size**2)) / (1 + z**2 / size)
    low = np.where(known, np.clip(middle - half, 0, 1), 0.0)
    return low, np.where(known, np.clip(middle + half, 0, 1), 1.0)


def beta_moments(rates: Float) -> tuple[float, float]:
    """Return alpha and beta of the beta distribution with the rates' mean and (n - 1) variance.

    alpha + beta, the homes that the prior is worth, stays within 2 and 1e4: rates without spread have no
    such moments, nor have rates of only 0 and 1.
    """
    mean = float(np.clip(np.mean(rates), 1e-6, 1 - 1e-6))
    variance = float(np.var(rates, ddof=1)) if rates.size > 1 else 0.0
    worth = mean * (1 - mean) / variance - 1 if variance > 0 else _MOST_ALIKE
    worth = float(np.clip(worth, 2.0, _MOST_ALIKE))
    return mean * worth, (1 - mean) * worth


def beta_binomial_prior(faults: Float, homes: Float) -> tuple[float, float]:
    """Return alpha and beta of how crews' true rates spread: the maximum of the beta-binomial likelihood.

    Unlike moments of the raw rates, it does not take the luck of small crews for differences. Counts
    need not be whole (the binomial coefficient does not depend on the prior). Gelman et al., Bayesian
    Data Analysis, ch. 5. Without crews the prior is flat: (1, 1).
    """
    if faults.size == 0:
        return 1.0, 1.0
    alpha, beta = beta_moments(faults / homes)

    def surprise(at: Float) -> float:
        a, b = special.expit(at[0]) * np.exp(at[1]), special.expit(-at[0]) * np.exp(at[1])
        return -float(np.sum(special.betaln(a + faults, b + homes - faults) - special.betaln(a, b)))

    start = np.array([special.logit(alpha / (alpha + beta)), np.log(alpha + beta)])
    fit = optimize.minimize(
        surprise,
        start,
        method="L-BFGS-B",
        bounds=[(-14.0, 14.0), (0.0, np.log(_MOST_ALIKE))],
        options={"ftol": 1e-14, "gtol": 1e-9},
    )
    mean, worth = float(special.expit(fit.x[0])), float(np.exp(fit.x[1]))
    return mean * worth, (1 - mean) * worth

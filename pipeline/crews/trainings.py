"""The effect of a training: a crew's installs before and after, against the untrained crews' over the same time.

    ratio = (after / before of the crew) / (after / before of the others)

It is 1 where the crew moved as everybody did, so a season or a new product that moves all crews does not count as the
training's; and each of the four is the rate on the fleet's average installs, so that neither do easier or harder ones
that came after. The interval draws each from its Jeffreys posterior, beta(faults + 1/2, rest + 1/2), with installs
counted for what is known of them.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray
from scipy import special

from pipeline.core.binomial_intervals import CONFIDENCE
from pipeline.core.setting_sections import CrewSettings
from pipeline.crews.crew_rate import CrewLikelihood
from pipeline.crews.fleet import FleetFit, Installs, of_crew
from pipeline.crews.logistic import fit_logistic

Float = NDArray[np.float64]
Int = NDArray[np.int64]
_FREE = 1e-3  # L2 penalty of the intercept
SCHEMA = pl.Schema(
    {
        "crew_id": pl.String, "trained_on": pl.Date, "topic": pl.String, "installs_before": pl.Int64,
        "installs_after": pl.Int64, "rate_before": pl.Float64, "rate_after": pl.Float64,
        "others_before": pl.Float64, "others_after": pl.Float64, "ratio": pl.Float64, "ratio_low": pl.Float64,
        "ratio_high": pl.Float64, "told": pl.String,
    }
)  # fmt: skip
TOO_FEW, SAME = "too few installs to say", "no significant change"
FELL, ROSE = "fell relative to other crews", "rose relative to other crews"


def interrupted(faults: Float, homes: Float, draws: int, *, seed: int = 0) -> tuple[float, float, float]:
    """Return the ratio of ratios with its 95 % interval; the value is the median, so that it exists without a fault.

    Parameters
    ----------
    faults, homes
        Of the crew before and after, then the others before and after (4,).
    draws, seed
        Draws from the posterior, and their seed.
    """
    rng = np.random.default_rng(seed)
    rates = rng.beta(faults[:, None] + 0.5, homes[:, None] - faults[:, None] + 0.5, (4, draws))
    ratio = (rates[1] / rates[0]) / (rates[3] / rates[2])
    out = (1 - CONFIDENCE) / 2
    low, middle, high = np.quantile(ratio, [out, 0.5, 1 - out])
    return float(middle), float(low), float(high)


def change_text(low: float, high: float) -> str:
    """Return what the ends of the ratio's interval say in words."""
    return FELL if high < 1 else ROSE if low > 1 else SAME


def training_table(
    trainings: pl.DataFrame,
    homes: pl.DataFrame,
    installs: Installs,
    *,
    fit: FleetFit,
    topics: dict[str, Float],
    settings: CrewSettings,
) -> pl.DataFrame:
    """Return table crew_training (SCHEMA), one row a training of the register, sorted.

    Parameters
    ----------
    trainings
        crew_id, trained_on, topic (null: any fault).
    homes
        crew_id, commissioned_on, one row an entry of `installs`.
    installs, fit
        The homes as arrays, and the fit over the fleet.
    topics
        Fault -> chance that each home had it at commissioning, as its likelihoods share it out.
    settings
        Section [crews].

    Notes
    -----
    Homes commissioned within [crews] training_days before and after count; rates are those on the fleet's average
    installs. The others are crews of the same time with no training on the same topic in it.
    """
    rows = []
    for row in trainings.sort("crew_id", "trained_on", "topic").iter_rows(named=True):
        cell = _cells(row, trainings, homes, settings)
        counts = np.bincount(cell[cell >= 0], minlength=4)
        row |= {"installs_before": int(counts[0]), "installs_after": int(counts[1]), "told": TOO_FEW}
        if counts.min() >= settings.training_homes:
            topic = topics.get(row["topic"] or "")
            rate, worth = cell_rates(cell, installs, fit, topic=topic, settings=settings)
            ratio, low, high = interrupted(rate * worth, worth, settings.training_draws)
            names = ("rate_before", "rate_after", "others_before", "others_after")
            row |= dict(zip(names, rate.tolist(), strict=True))
            row |= {"ratio": ratio, "ratio_low": low, "ratio_high": high, "told": change_text(low, high)}
        rows.append(row)
    return pl.DataFrame(rows, schema=SCHEMA)


def _cells(row: dict[str, Any], trainings: pl.DataFrame, homes: pl.DataFrame, settings: CrewSettings) -> Int:
    """Return 0 crew before, 1 crew after, 2 others before, 3 others after, -1 none of them, a home."""
    day, topic = row["trained_on"], row["topic"]
    span = timedelta(days=settings.training_days)
    first, last = day - span, day + span
    near = trainings.filter(pl.col("trained_on").is_between(first, last))
    alike = near if topic is None else near.filter((pl.col("topic") == topic).fill_null(True))
    trained = alike["crew_id"].unique().to_list()
    when = pl.col("commissioned_on")
    is_mine = pl.col("crew_id") == row["crew_id"]
    is_other = pl.col("crew_id").is_not_null() & ~pl.col("crew_id").is_in(trained)
    side = pl.when(when < day).then(0).otherwise(1)
    return (
        homes.select(
            pl.when(~when.is_between(first, last, closed="left")).then(-1)
            .when(is_mine).then(side).when(is_other).then(side + 2).otherwise(-1)
            .fill_null(-1).cast(pl.Int64).alias("cell")
        )["cell"].to_numpy()
    )  # fmt: skip


def cell_rates(
    cell: Int, installs: Installs, fit: FleetFit, *, topic: Float | None, settings: CrewSettings
) -> tuple[Float, Float]:
    """Return the rates of the four cells on the fleet's average installs, and the inspected ones that each is worth.

    Parameters
    ----------
    cell
        0 crew before, 1 crew after, 2 others before, 3 others after, -1 none of them (n,).
    installs, fit
        The homes as arrays (n,), and the fit over the fleet.
    topic
        Chance of the training's fault at each home (n,), None for any fault.
    settings
        Section [crews].
    """
    inside = cell >= 0
    chance = fit.chance if topic is None else topic
    fleet = float(np.clip(chance.mean(), 1e-5, 1 - 1e-5))
    hardness = fit.hardness if topic is None else _hardness_of(topic, installs, fit, settings)
    chance, evidence = chance[inside], fit.evidence[inside]
    if topic is not None:  # evidence for this fault: that for any, times its share beside the usual one
        every = fit.chance[inside]
        share = np.divide(chance, every, out=np.zeros_like(chance), where=every > 0)
        usual = max(chance.sum() / max(every.sum(), 1e-9), 1e-9)
        evidence = evidence + np.log(np.clip(share / usual, 1e-6, None))
    known = installs.is_known[inside]
    cells = replace(
        installs, crew=cell[inside], crews=4, likelihood=installs.likelihood[inside], is_known=known,
        found=np.where(known, chance, 0.0), columns=np.empty((chance.size, 0)), weight=installs.weight[inside],
    )  # fmt: skip
    calibration_columns = fit.calibration_columns[inside]
    fit = replace(fit, evidence=evidence, hardness=hardness[inside], calibration_columns=calibration_columns)
    likelihood = CrewLikelihood(cells, fit, fit.hardness)
    rate: Float = special.expit(special.logit(fleet) + likelihood.likeliest())
    worth = likelihood.known(np.zeros(4)) / (fleet * (1 - fleet))
    return rate, np.minimum(worth, np.bincount(cell[inside], minlength=4))


def _hardness_of(topic: Float, installs: Installs, fit: FleetFit, settings: CrewSettings) -> Float:
    """Return the log odds of this one fault at each home with the fleet's average crew: its own case mix."""
    cells = installs.cells
    size = cells.sums(np.ones(topic.size))
    penalty = np.full(cells.columns.shape[1], settings.case_sd**-2)
    penalty[0] = _FREE
    effect = of_crew(cells.crew, fit.effect)
    mix = fit_logistic(cells.columns, cells.sums(topic) / size, penalty, offset=effect, weight=size)
    odds: Float = (cells.columns @ mix.beta)[cells.of_home]
    return odds

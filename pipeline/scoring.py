"""Signals + model -> site_scores: likelihood, verdict, suspected fault, leg, since when, and why."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.classifier import Model
from pipeline.contract import SOUND
from pipeline.evidence import Weighed, likely_legs, weigh
from pipeline.fault import Fault
from pipeline.settings import Settings
from pipeline.telling import evidence_lines
from pipeline.verdict import Prior, missing, with_verdicts

Float = NDArray[np.float64]
# Columns of site_signal that are published beside the scores.
SHOWN = (
    "slope_l1", "slope_l1_se", "slope_l2", "slope_l2_se", "slope_sum", "slope_sum_se", "slope_expected",
    "night_l1_w", "night_l2_w", "night_l1_negative_share", "night_l2_negative_share", "zero_l1_share",
    "zero_l2_share", "coverage_share", "nights", "is_clock_suspect",
)  # fmt: skip


@dataclass(frozen=True)
class Scored:
    """What scoring leaves: `scores` one row a site of the register; `weighed` and `values` for telling why."""

    scores: pl.DataFrame
    signals: pl.DataFrame
    weighed: Weighed


def score(
    signals: pl.DataFrame,
    sites: pl.DataFrame,
    model: Model,
    catalogue: Mapping[str, Fault],
    settings: Settings,
) -> Scored:
    """Return site_scores: one row a site of the register, also those without rows (likelihood = base rate).

    `signals` is `WindowView.signals`. The likelihood of any fault is one less the likelihood of sound; the
    suspected fault is the likeliest class, from `[verdict] sound` on the likeliest fault; the leg is the one its
    pieces favour. `unproven_why` says what an unproven home lacks.
    """
    weighed = weigh(signals, catalogue)
    base_rate = model.rate(settings.verdict.base_rate)
    log_odds = model.scores(weighed.values, base_rate)
    share = settle(model.shares(log_odds), weighed, model.classes, catalogue)
    classes = model.classes
    sound_column = classes.index(SOUND)
    best = share.argmax(axis=1)
    faults_only = np.where(np.arange(len(classes)) == sound_column, -1.0, share)
    best_fault = faults_only.argmax(axis=1)
    legs = _legs(weighed, best_fault, model, catalogue, signals)
    told_of = np.where(1 - share[:, sound_column] >= settings.verdict.sound, best_fault, sound_column)
    added = _added(weighed.values, log_odds, told_of, model, base_rate)
    lines = evidence_lines(signals, weighed.values, told_of, classes, added, catalogue)
    likelihood = 1 - share[:, sound_column]
    # From here on a fault is named, though each single one may still be less likely than sound.
    best = np.where(likelihood >= settings.verdict.sound, best_fault, best)
    names = np.array(classes, dtype=object)
    scored = signals.select(
        "site_id",
        pl.Series("likelihood", likelihood),
        pl.Series("suspected_fault", names[best].tolist(), dtype=pl.String),
        pl.Series(
            "leg",
            [leg if is_named else None for leg, is_named in zip(legs, best != sound_column, strict=True)],
            dtype=pl.String,
        ),
        pl.Series("likely_fault", names[best_fault].tolist(), dtype=pl.String),
        pl.Series("likely_leg", legs, dtype=pl.String),
        pl.struct(pl.Series(name, share[:, classes.index(name)]) for name in (*catalogue, SOUND)).alias(
            "fault_likelihoods"
        ),
        pl.when(pl.Series(likelihood >= settings.verdict.suspect))
        .then(pl.col("changed_on"))
        .alias("onset_on"),
        pl.when(pl.Series(likelihood >= settings.verdict.suspect))
        .then(pl.col("change_told"))
        .alias("onset_evidence"),
        "from_on",
        pl.Series("evidence", lines, dtype=pl.String),
        *SHOWN,
        pl.when(pl.col("is_clock_suspect")).then(pl.col("pv_clock_h")).alias("clock_offset_h"),
        (pl.col("sag_v_per_kw") > settings.verdict.neutral_v_per_kw)
        .fill_null(False)
        .alias("is_neutral_suspect"),
        missing(settings.verdict).alias("unproven_why"),
    )
    told = sites.select("site_id", "area", "crew_id", pl.col("service").fill_null("120/240")).join(
        scored, on="site_id", how="left", maintain_order="left"
    )
    return Scored(
        with_verdicts(told, base_rate, prior_of(model, catalogue, settings).fault_mix, settings.verdict),
        signals,
        weighed,
    )


def prior_of(model: Model, catalogue: Mapping[str, Fault], settings: Settings) -> Prior:
    """Return what a home is told before its data: the fleet's base rate, and how the faults share it."""
    even = 1 / len(catalogue)
    mix = {name: model.fault_mix.get(name, even) for name in catalogue}
    return Prior(model.rate(settings.verdict.base_rate), mix)


def settle(share: Float, weighed: Weighed, classes: tuple[str, ...], catalogue: Mapping[str, Fault]) -> Float:
    """Return the likelihoods (n, classes) with those of twins moved to the one that a settling piece speaks for.

    A crossed pair and two turned clamps are the same to every probe but the leg voltages; where those speak they
    decide, where they don't both keep their share. Rows still sum to 1.
    """
    settled = share.copy()
    for name, fault in catalogue.items():
        for piece, other in fault.settles.items():
            fires = np.nan_to_num(weighed.values[:, weighed.names.index(piece)])
            moved = settled[:, classes.index(other)] * fires
            settled[:, classes.index(other)] -= moved
            settled[:, classes.index(name)] += moved
    return settled


def _legs(
    weighed: Weighed,
    best_fault: NDArray[np.int64],
    model: Model,
    catalogue: Mapping[str, Fault],
    signals: pl.DataFrame,
) -> list[str | None]:
    legs = np.full(len(best_fault), None, dtype=object)
    is_single = (signals["service"] == "single").fill_null(False).to_numpy()
    for column, name in enumerate(model.classes):
        homes = np.flatnonzero(best_fault == column)
        if name not in catalogue or not homes.size:
            continue
        found, _ = likely_legs(weighed, catalogue[name], model.full_weights(name), homes)
        is_first = is_single[homes] & ("l1" in catalogue[name].legs)
        legs[homes] = np.where(is_first, "l1", np.array(found, dtype=object))
    told: list[str | None] = legs.tolist()
    return told


def _added(values: Float, score: Float, told_of: NDArray[np.int64], model: Model, base_rate: float) -> Float:
    """Return what each piece adds to the fault a home is told of [log odds], (n, pieces); zeros where it is sound."""
    added = np.zeros_like(values)
    homes = np.flatnonzero(told_of != model.classes.index(SOUND))
    names = [model.classes[column] for column in told_of[homes]]
    added[homes] = model.against_sound(values[homes], names, base_rate, score[homes])[1]
    return added

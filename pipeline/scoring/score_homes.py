"""Signals and what is normal in their fleet -> site_scores: likelihood, verdict, fault, leg, since when, and why."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core.contract import SOUND
from pipeline.core.setting_sections import VerdictSettings
from pipeline.faults.types import Fault
from pipeline.probes import NAMES
from pipeline.probes.measured import Measured, measure
from pipeline.scoring.contradiction import Contradiction, contradictions
from pipeline.scoring.design import alike, in_order
from pipeline.scoring.fleet_normal import FleetNormal
from pipeline.scoring.innocent import CAUSES
from pipeline.scoring.model import Model
from pipeline.scoring.normal import Deviations, deviations
from pipeline.scoring.sentences import could_speak, evidence_lines, strongest
from pipeline.scoring.verdict import Prior, missing, with_verdicts

Float = NDArray[np.float64]
LEGS = ("l1", "l2", "both")
FIRST = 100.0  # log odds, more than any probe weighs
# Columns of site_signal that are published beside the scores.
SHOWN = (
    "slope_l1", "slope_l1_se", "slope_l2", "slope_l2_se", "slope_sum", "slope_sum_se", "slope_expected",
    "night_l1_w", "night_l2_w", "night_l1_negative_share", "night_l2_negative_share", "zero_l1_share",
    "zero_l2_share", "coverage_share", "nights", "is_clock_suspect",
)  # fmt: skip


@dataclass(frozen=True)
class Judged:
    """What the model says of n homes, in the order of their signals.

    `terms` (n, probes) is what each probe adds to the log odds of a fault, `log_odds` (n,) their sum with the fleet's
    own odds; `shares` (n, faults + sound) the likelihoods; `legs` each home's leg of its likeliest fault; `cause` (n,)
    the likeliest innocent cause with its likelihood; `contradiction` the numbers that no right install shows.
    """

    terms: Float
    log_odds: Float
    shares: Float
    legs: list[str | None]
    cause: list[str | None]
    cause_likelihood: Float
    contradiction: Contradiction


@dataclass(frozen=True)
class Scored:
    """What scoring leaves: `scores` one row a site of the register, `signals`, and the fleet's own yardstick."""

    scores: pl.DataFrame
    signals: pl.DataFrame
    fleet: FleetNormal


def judge_homes(
    signals: pl.DataFrame,
    fleet: FleetNormal,
    model: Model,
    catalogue: Mapping[str, Fault],
    own: VerdictSettings,
) -> Judged:
    """Return what the model says of the homes of `signals` (table site_signal).

    Which fault, which leg and which innocent cause is asked only of homes that may have one ([verdict] ask_from) or
    whose numbers contradict a right install; elsewhere faults share the likelihood as they share the fleet's.
    """
    measured = measure(signals)
    moved = deviations(measured, fleet.normal)
    rows = alike(measured, moved).rows
    terms = model.probe_terms(rows)
    log_odds = terms.sum(axis=1) + model.offset + np.log(fleet.rate / (1 - fleet.rate))
    likelihood = 1 / (1 + np.exp(-np.clip(log_odds, -40.0, 40.0)))
    found = contradictions(measured, moved, fleet.normal, signals)
    asked = np.flatnonzero((likelihood >= own.ask_from) | found.is_there)
    share = np.tile([fleet.fault_mix[name] for name in model.faults], (len(rows), 1))
    legs = np.full(len(rows), None, dtype=object)
    cause, cause_share = np.full(len(rows), None, dtype=object), np.zeros(len(rows))
    if asked.size:
        share[asked] = model.fault_shares(model.which_terms(rows[asked]))
        best = share[asked].argmax(axis=1)
        legs[asked] = _legs(measured.of(asked), moved.of(asked), best, signals[asked],
                            model, catalogue)  # fmt: skip
        innocent = model.innocent_shares(rows[asked])
        named = [at for at, name in enumerate(model.innocents) if name in CAUSES]
        likeliest = innocent[:, named].argmax(axis=1)
        cause[asked] = np.array([model.innocents[at] for at in named], dtype=object)[likeliest]
        # What the likelihood says of a fault holds; of the rest a cause has its part.
        cause_share[asked] = np.minimum(innocent[:, named].max(axis=1), 1 - likelihood[asked])
    shares = np.column_stack([share * likelihood[:, None], 1 - likelihood])
    told: list[str | None] = cause.tolist()
    named_legs: list[str | None] = legs.tolist()
    return Judged(terms, log_odds, shares, named_legs, told, cause_share, found)


def _legs(
    measured: Measured,
    moved: Deviations,
    fault: NDArray[np.int64],
    signals: pl.DataFrame,
    model: Model,
    catalogue: Mapping[str, Fault],
) -> NDArray[np.object_]:
    """Return the likeliest leg of each home's fault among those it can have on the home's service."""
    rows = [in_order(measured, moved, is_exchanged).rows for is_exchanged in (False, True)]
    share = model.leg_shares(rows, fault)
    services = signals["service"].fill_null("120/240").to_list()
    can = {
        (at, service): [leg in catalogue[name].legs_on(service) for leg in LEGS]
        for at, name in enumerate(model.faults)
        for service in set(services)
    }
    allowed = np.array([can[at, service] for at, service in zip(fault.tolist(), services, strict=True)])
    place = np.where(allowed, share, -1.0).argmax(axis=1)
    legs: NDArray[np.object_] = np.array(LEGS, dtype=object)[place]
    return legs


def score(
    signals: pl.DataFrame,
    sites: pl.DataFrame,
    fleet: FleetNormal,
    model: Model,
    catalogue: Mapping[str, Fault],
    own: VerdictSettings,
) -> pl.DataFrame:
    """Return site_scores: one row a site of the register, also those without rows (likelihood = the fleet's rate).

    `signals` is `WindowView.signals`. The likelihood of any fault is one less that of sound. `likely_fault` is the
    likeliest fault, at every home; `suspected_fault` is the same where its likelihood is too high to call the home
    sound (`[verdict] sound`), else null, as for a home without rows: nothing speaks against it.
    """
    judged = judge_homes(signals, fleet, model, catalogue, own)
    faults = [name for name in catalogue if name in model.faults]  # of equally likely ones the first is told
    shares = judged.shares[:, [model.faults.index(name) for name in faults]]
    likelihood = 1 - judged.shares[:, -1]
    is_told = likelihood >= own.sound
    speaks = could_speak(signals)
    against = judged.contradiction
    # What contradicts a right install comes first, whatever its weight.
    plain = np.where(is_told[:, None] & (against.strength > 1), FIRST, 0.0)
    order = strongest(judged.terms + plain, speaks | (plain > 0), is_told)
    order = _first(order, against.probe)
    likely = pl.Series("likely_fault", faults, dtype=pl.String).gather(shares.argmax(axis=1))
    likely_leg = pl.Series("likely_leg", judged.legs, dtype=pl.String)
    first = evidence_lines(signals, against.probe[:, None])
    is_suspect = pl.Series(likelihood >= own.suspect)
    scored = signals.select(
        "site_id",
        pl.Series("likelihood", likelihood),
        pl.when(pl.Series(is_told)).then(likely).alias("suspected_fault"),
        pl.when(pl.Series(is_told)).then(likely_leg).alias("leg"),
        likely,
        likely_leg,
        pl.struct(
            *(pl.Series(name, shares[:, at]) for at, name in enumerate(faults)), pl.Series(SOUND, judged.shares[:, -1])
        ).alias("fault_likelihoods"),
        pl.when(is_suspect).then(pl.col("changed_on")).alias("onset_on"),
        pl.when(is_suspect).then(pl.col("change_told")).alias("onset_evidence"),
        "from_on",
        pl.Series("evidence", evidence_lines(signals, order), dtype=pl.String),
        pl.Series(
            "contradiction",
            [text if there else None for text, there in zip(first, against.is_there, strict=True)],
            dtype=pl.String,
        ),
        pl.Series(
            "contradiction_probe",
            [NAMES[probe] if probe >= 0 else None for probe in against.probe.tolist()],
            dtype=pl.String,
        ),
        pl.Series("record_cause", judged.cause, dtype=pl.String),
        pl.Series("record_likelihood", judged.cause_likelihood),
        *SHOWN,
        pl.when(pl.col("is_clock_suspect")).then(pl.col("pv_clock_h")).alias("clock_offset_h"),
        (pl.col("sag_v_per_kw") > own.neutral_v_per_kw).fill_null(False).alias("is_neutral_suspect"),
        missing(own).alias("unproven_why"),
    )  # fmt: skip
    told = sites.select("site_id", "area", "crew_id", pl.col("service").fill_null("120/240")).join(
        scored, on="site_id", how="left", maintain_order="left"
    )
    return with_verdicts(told, Prior(fleet.rate, {name: fleet.fault_mix[name] for name in faults}), own)


def _first(order: NDArray[np.int64], probe: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the order with this probe (-1: none) ahead of the others."""
    moved = order.copy()
    for home in np.flatnonzero(probe >= 0).tolist():
        rest = [at for at in order[home].tolist() if at != probe[home]]
        moved[home] = [probe[home], *rest][: order.shape[1]]
    return moved

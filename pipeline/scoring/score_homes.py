"""Signals and what is normal in their fleet -> site_scores: likelihood, verdict, fault, leg, since when, and why."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl
from numpy.typing import NDArray

from pipeline.core import services
from pipeline.core.contract import SOUND
from pipeline.core.services import leg_codes
from pipeline.core.setting_sections import VerdictSettings
from pipeline.faults.types import Fault
from pipeline.probes.line_rows import THREE, by_line_count, with_wirings
from pipeline.probes.measured import measure
from pipeline.probes.register import fed_lines
from pipeline.probes.wirings import service_of_lines, wiring_leg
from pipeline.scoring.contradiction import Contradiction, contradictions
from pipeline.scoring.design import leg_designs, symmetric_design
from pipeline.scoring.fleet_normal import FleetNormal
from pipeline.scoring.innocent import CAUSES
from pipeline.scoring.model import Model
from pipeline.scoring.model_file import model_for
from pipeline.scoring.neutral import neutral_columns
from pipeline.scoring.normal import measure_deviations
from pipeline.scoring.sentences import evidence_lines, has_data, strongest_probes
from pipeline.scoring.verdict import Prior, add_verdicts, missing_evidence

Float = NDArray[np.float64]
LEGS = leg_codes(2)
FIRST = 100.0  # log odds, more than any probe weighs
# Columns of site_signal that are published beside the scores.
SHOWN = (
    "slope_l1", "slope_l1_se", "slope_l2", "slope_l2_se", "slope_sum", "slope_sum_se", "slope_expected",
    "night_l1_w", "night_l2_w", "night_l1_negative_share", "night_l2_negative_share", "zero_l1_share",
    "zero_l2_share", "coverage_share", "nights", "is_clock_suspect", "meter_why_not",
)  # fmt: skip
# The same of the third line, and which lines production feeds; null at homes that have no third line.
SHOWN_OF_THREE = {
    "slope_l3": pl.Float64, "slope_l3_se": pl.Float64, "night_l3_w": pl.Float64,
    "night_l3_negative_share": pl.Float64, "zero_l3_share": pl.Float64, "pv_share_l1": pl.Float64,
    "pv_share_l2": pl.Float64, "pv_share_l3": pl.Float64,
}  # fmt: skip


@dataclass(frozen=True)
class HomeLikelihoods:
    """What the model says of n homes, in the order of their signals.

    `terms` (n, probes) is what each probe adds to the log odds of a fault; `shares` (n, faults + sound) the
    likelihoods; `leg` (n,) the leg of each home's likeliest fault; `cause` (n,) the likeliest innocent cause with its
    likelihood; `contradiction` the numbers that no right install shows.
    """

    terms: Float
    shares: Float
    leg: NDArray[np.object_]
    cause: NDArray[np.object_]
    cause_likelihood: Float
    contradiction: Contradiction


@dataclass(frozen=True)
class Scored:
    """What scoring leaves: `scores` one row a site of the register, `signals`, and what is normal in the fleet."""

    scores: pl.DataFrame
    signals: pl.DataFrame
    fleet: FleetNormal


def judge_homes(
    signals: pl.DataFrame,
    fleet: FleetNormal,
    model: Model,
    *,
    catalogue: Mapping[str, Fault],
    settings: VerdictSettings,
) -> HomeLikelihoods:
    """Return what the model says of the homes of `signals`, which all have three lines or all fewer.

    Which fault, which leg and which innocent cause is asked only of homes that may have one ([verdict] ask_from) or
    whose numbers contradict a right install; elsewhere faults share the likelihood as they share the fleet's.

    Parameters
    ----------
    signals, fleet
        Table site_signal, one row a home, and what is normal in their fleet.
    model, catalogue, settings
        The model, or the one whose model of three lines is asked; the faults with the legs each can be on; [verdict].
    """
    measured = measure(signals)
    model, fleet = model_for(model, measured.line_count), fleet.of(measured.line_count)
    deviations = measure_deviations(measured, fleet.normal)
    rows = symmetric_design(measured, deviations).rows
    terms = model.probe_terms(rows)
    log_odds = terms.sum(axis=1) + model.base_log_odds + np.log(fleet.rate / (1 - fleet.rate))
    likelihood = 1 / (1 + np.exp(-np.clip(log_odds, -40.0, 40.0)))
    contradiction = contradictions(measured, deviations, fleet.normal, signals=signals)
    asked = np.flatnonzero((likelihood >= settings.ask_from) | contradiction.is_there)
    share = np.tile([fleet.fault_mix[name] for name in model.faults], (len(rows), 1))
    leg, cause = (np.full(len(rows), None, dtype=object) for _ in range(2))
    cause_likelihood = np.zeros(len(rows))
    if asked.size:
        share[asked] = model.fault_shares(model.which_terms(rows[asked]))
        fault = share[asked].argmax(axis=1)
        leg_share = model.leg_shares(
            [design.rows for design in leg_designs(measured.take(asked), deviations.take(asked))], fault
        )
        if measured.line_count == THREE:
            leg_share *= _by_wiring(signals[asked], fault, model, catalogue)
        leg[asked] = _likeliest_leg(leg_share, fault, signals["service"][asked], model, catalogue)
        causes = [index for index, name in enumerate(model.innocents) if name in CAUSES]
        innocent = model.innocent_shares(rows[asked])[:, causes]
        cause[asked] = np.array(model.innocents, dtype=object)[causes][innocent.argmax(axis=1)]
        # What the likelihood says of a fault holds; of the rest a cause has its part.
        cause_likelihood[asked] = np.minimum(innocent.max(axis=1), 1 - likelihood[asked])
    shares = np.column_stack([share * likelihood[:, None], 1 - likelihood])
    return HomeLikelihoods(terms, shares, leg, cause, cause_likelihood, contradiction)


def _by_wiring(
    signals: pl.DataFrame, fault: NDArray[np.int64], model: Model, catalogue: Mapping[str, Fault]
) -> Float:
    """Return how much likelier the home's likeliest wiring makes each leg of its fault, (n, legs).

    That speaks of faults which are a wiring: those that only voltages tell from each other. Where CTs are on other
    lines the leg is these lines, whichever way round they are; else it is the lines of those turned around.
    """
    twins = {name: one.same_powers_as for name, one in catalogue.items() if one.same_powers_as}
    is_wiring = np.isin(np.array(model.faults)[fault], [*twins.keys(), *twins.values()])
    codes = np.array(leg_codes(THREE))
    rows = with_wirings(signals)
    best = [wiring_leg(code) for code in rows["wiring_best"].to_list()]
    share = np.where([bool(code) for code in best], rows["wiring_share"].to_numpy(), 0.0) * is_wiring
    is_same = codes[None, :] == np.array(best)[:, None]
    return np.asarray((1 - share[:, None]) / codes.size + share[:, None] * is_same)


def _likeliest_leg(
    share: Float, fault: NDArray[np.int64], service: pl.Series, model: Model, catalogue: Mapping[str, Fault]
) -> NDArray[np.object_]:
    """Return the likeliest leg of each home's fault among those it can have on the home's service."""
    legs = leg_codes(model.line_count)
    services = [_service_name(name, model.line_count) for name in service.to_list()]
    is_possible = {
        (index, service): [leg in catalogue[name].legs_on(service) for leg in legs]
        for index, name in enumerate(model.faults)
        for service in set(services)
    }
    possible = np.array([is_possible[home] for home in zip(fault.tolist(), services, strict=True)])
    return np.asarray(np.array(legs, dtype=object)[np.where(possible, share, -1.0).argmax(axis=1)])


def _service_name(name: str | None, line_count: int) -> str:
    """Return the home's service, or of three lines one that has as many where the record says another."""
    return service_of_lines(name, line_count).name if line_count == THREE else name or services.UNKNOWN


def score(
    signals: pl.DataFrame,
    sites: pl.DataFrame,
    fleet: FleetNormal,
    *,
    model: Model,
    catalogue: Mapping[str, Fault],
    settings: VerdictSettings,
) -> pl.DataFrame:
    """Return site_scores: one row a site of the register, also those without rows (likelihood = the fleet's rate).

    The likelihood of any fault is one less that of sound. `likely_fault` is the likeliest fault, at every home;
    `suspected_fault` is the same where its likelihood is too high to call the home sound (`[verdict] sound`), else
    null, as for a home without rows: nothing speaks against it.

    Parameters
    ----------
    signals, sites, fleet
        Table site_signal, the sites register, and what is normal in the fleet.
    model, catalogue, settings
        The model, the faults and [verdict].
    """
    parts = [*by_line_count(signals)]
    models = [model_for(model, line_count) for line_count, _ in parts]
    faults = [name for name in catalogue if name in model.faults]  # of equally likely ones the first is named
    scored = pl.concat(
        [
            _score_part(homes, fleet, part, faults=faults, catalogue=catalogue, settings=settings)
            for (_, homes), part in zip(parts, models, strict=True)
        ],
        how="vertical_relaxed",
    )
    scores = (
        sites.select("site_id", "area", "crew_id", "service")
        .join(
            signals.select("site_id", "service"),
            on="site_id",
            how="left",
            maintain_order="left",
            suffix="_seen",
        )
        .with_columns(service=pl.coalesce("service", "service_seen", pl.lit(services.UNKNOWN)))
        .drop("service_seen")
        .join(scored, on="site_id", how="left", maintain_order="left")
    )
    return add_verdicts(scores, Prior(fleet.rate, {name: fleet.fault_mix[name] for name in faults}), settings)


def _score_part(
    signals: pl.DataFrame,
    fleet: FleetNormal,
    model: Model,
    *,
    faults: list[str],
    catalogue: Mapping[str, Fault],
    settings: VerdictSettings,
) -> pl.DataFrame:
    """Return what scoring says of homes that all have three lines or all fewer, one row a home of `signals`."""
    judged = judge_homes(signals, fleet, model, catalogue=catalogue, settings=settings)
    line_count, none = model.line_count, np.zeros(signals.height)
    shares = np.column_stack(
        [judged.shares[:, model.faults.index(name)] if name in model.faults else none for name in faults]
        + [judged.shares[:, -1]]
    )
    likelihood = 1 - shares[:, -1]
    is_suspected = likelihood >= settings.sound
    contradiction = judged.contradiction
    # What contradicts a right install comes first, whatever its weight.
    first = np.where(is_suspected[:, None] & (contradiction.strength > 1), FIRST, 0.0)
    order = strongest_probes(judged.terms + first, has_data(signals, line_count) | (first > 0), is_suspected)
    order = _with_first(order, contradiction.probe)
    likely = pl.Series("likely_fault", faults, dtype=pl.String).gather(shares[:, :-1].argmax(axis=1))
    likely_leg = pl.Series("likely_leg", judged.leg.tolist(), dtype=pl.String)
    is_contradicted = pl.Series(contradiction.is_there)
    is_suspect = pl.Series(likelihood >= settings.suspect)
    return signals.select(
        "site_id",
        pl.Series("likelihood", likelihood),
        pl.when(pl.Series(is_suspected)).then(likely).alias("suspected_fault"),
        pl.when(pl.Series(is_suspected)).then(likely_leg).alias("leg"),
        likely,
        likely_leg,
        pl.struct(
            pl.Series(name, column) for name, column in zip((*faults, SOUND), shares.T, strict=True)
        ).alias("fault_likelihoods"),
        pl.when(is_suspect).then("changed_on").alias("onset_on"),
        pl.when(is_suspect).then("change_told").alias("onset_evidence"),
        "from_on",
        pl.Series("evidence", evidence_lines(signals, order), dtype=pl.String),
        pl.when(is_contradicted)
        .then(pl.Series(evidence_lines(signals, contradiction.probe[:, None]), dtype=pl.String))
        .alias("contradiction"),
        pl.when(is_contradicted)
        .then(pl.Series(model.names, dtype=pl.String).gather(contradiction.probe.clip(0)))
        .alias("contradiction_probe"),
        pl.Series("record_cause", judged.cause.tolist(), dtype=pl.String),
        pl.Series("record_likelihood", judged.cause_likelihood),
        *SHOWN,
        pl.when("is_clock_suspect").then("pv_clock_h").alias("clock_offset_h"),
        *(column.alias(name) for name, column in neutral_columns(settings, line_count).items()),
        missing_evidence(settings, line_count).alias("unproven_need"),
        _is_partly_fed(line_count).alias("is_partly_fed"),
        *(
            (pl.col(name) if line_count == THREE else pl.lit(None)).cast(kind).alias(name)
            for name, kind in SHOWN_OF_THREE.items()
        ),
        (pl.col("line_count") if "line_count" in signals.columns else pl.lit(None))
        .cast(pl.Int64)
        .alias("line_count"),
    )


def _is_partly_fed(line_count: int) -> pl.Expr:
    """Return whether CTs of three lines see production on some of them only."""
    if line_count != THREE:
        return pl.lit(False)
    return (fed_lines() < THREE) & pl.col("is_declared_upstream").fill_null(False)


def _with_first(order: NDArray[np.int64], probe: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the order with this probe (-1: none) ahead of the others."""
    out = order.copy()
    for home in np.flatnonzero(probe >= 0).tolist():
        others = [number for number in order[home].tolist() if number != probe[home]]
        out[home] = [probe[home], *others][: order.shape[1]]
    return out

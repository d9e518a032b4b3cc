"""`nightclamp train LAKE`: the shipped classifier adapted to the user's own fleet, and compared with the shipped one.

    shipped trees ──────────────────────────────────┐
    sound-looking homes ── every fault injected ────┼── adapt ── base rate ── against the shipped model
    visits ── as the homes looked before the visit ─┘

Homes are split into fit, temper (which chooses the L2 penalty) and held-out by their id. The base rate and the mix of
faults come from the visits of fit and temper homes and from the shipped model's likelihoods, which owe nothing to what
is said of this fleet. What is normal is what the fleet's homes say as they are.
"""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.core.contract import OTHER, SOUND
from pipeline.core.settings import Settings
from pipeline.learning.fleet_examples import FIT, HELD_OUT, TEMPER
from pipeline.learning.fleet_training_set import FleetTrainingSet, Tell, build_training_set
from pipeline.learning.labelled import Labelled
from pipeline.learning.map_adaptation import adapt
from pipeline.learning.model_comparison import compare
from pipeline.learning.training import home_weights
from pipeline.probes.measured import measure
from pipeline.scoring.design import symmetric_design
from pipeline.scoring.fleet_normal import FleetNormal
from pipeline.scoring.model import Model
from pipeline.scoring.model_file import load_model
from pipeline.scoring.normal import measure_deviations
from pipeline.storage.output_location import hold_out

Float = NDArray[np.float64]
Evidence = tuple[Float, NDArray[np.bool_], Float]  # terms (n, probes), is_faulty (n,), weights (n,)


def train_own(
    lake_root: Path, out: Path, settings: Settings, *, seed: int, tell: Tell = lambda line: None
) -> Model:
    """Return the model of this lake's fleet with its comparison on its card (`against_shipped`).

    Parameters
    ----------
    lake_root, out
        The lake, and OUT of the nightly runs: its store of day statistics is used and brought up to date.
    settings, seed
        Of the night; the same seed and lake give the same model.
    tell
        Called with lines of progress.

    Raises
    ------
    InputError
        The lake or the shipped model is not usable, or too few homes look sound.
    NightFailed
        A night is at work in OUT.
    """
    shipped = load_model()
    with hold_out(out, settings) as place:
        scratch = place.local / "store" / ".training"
        try:
            place.bring_store()
            data = build_training_set(
                lake_root, place.local, scratch, shipped=shipped, settings=settings, seed=seed, tell=tell
            )
            place.keep_store()
        finally:
            shutil.rmtree(scratch, ignore_errors=True)
    l2_penalty, model = _best_penalty(shipped, data, settings, tell)
    recipe = {"from": shipped.model_id, "seed": seed, **data.recipe, "hold": l2_penalty}
    if data.rate is not None:
        rate, mix = data.rate
        rounded = {name: round(share, 5) for name, share in mix.items()}
        model = replace(model, base_rate=round(rate.rate, 5), fault_mix=rounded)
    tell("comparing")
    result = compare(
        shipped, model, data.injected[HELD_OUT],
        visited=data.visited.get(HELD_OUT), fleet=data.fleet, settings=settings,
    )  # fmt: skip
    return replace(model, recipe=recipe, against_shipped=result)


def _best_penalty(
    shipped: Model, data: FleetTrainingSet, settings: Settings, tell: Tell
) -> tuple[float, Model]:
    """Return the [own_fleet] hold of least log loss on the tempering homes, and the model that it makes."""
    (terms, is_faulty, weights), temper = (_evidence(data, part, shipped, settings) for part in (FIT, TEMPER))
    models = {}
    for l2_penalty in settings.own_fleet.holds:
        model = adapt(shipped, terms, is_faulty, weights=weights, l2_penalty=l2_penalty)
        loss = _log_loss(model, shipped, temper)
        models[loss, l2_penalty] = model
        tell(f"hold {l2_penalty:g}: log loss {loss:.4f}")
    tell(f"shipped: log loss {_log_loss(shipped, shipped, temper):.4f}")
    best = min(models)
    return best[1], models[best]


def _log_loss(model: Model, shipped: Model, evidence: Evidence) -> float:
    """Return the mean -log p(a fault or none) of homes at even odds; the terms are by the shipped model."""
    terms, is_faulty, weights = evidence
    factor = np.array([model.probe_slope.get(name, 1.0) for name in model.names])
    before = np.array([shipped.probe_slope.get(name, 1.0) for name in model.names])
    log_odds = terms @ (factor / before) + model.base_log_odds
    loss = np.logaddexp(0.0, np.where(is_faulty, -log_odds, log_odds))
    return float(weights @ loss / weights.sum())


def _evidence(data: FleetTrainingSet, part: str, shipped: Model, settings: Settings) -> Evidence:
    """Return terms, truth and weights of this part's injected and visited homes.

    Injected homes weigh one in the mean, sound ones as much as all faults together. Visited homes come as the fleet
    has them, so a fault found counts by how much rarer faults are in the fleet than among the injected, and sound
    by how much more frequent it is.
    """
    injected = data.injected[part]
    weight = injected.truth["weight"].to_numpy()
    by_fault = home_weights(injected.fault, np.zeros(weight.size, dtype=np.bool_), 1.0)
    weights = by_fault * weight / weight.mean()
    terms, is_faulty = _terms(injected, data.fleet, shipped), injected.fault != SOUND
    if data.rate is None or part not in data.visited:
        return terms, is_faulty, weights
    visited, rate = data.visited[part], data.rate[0].rate
    is_clear = visited.fault != OTHER
    has_fault = visited.fault[is_clear] != SOUND
    visit_weights = settings.own_fleet.visit_weight * np.where(has_fault, 0.5 / rate, 0.5 / (1 - rate))
    return (
        np.concatenate([terms, _terms(visited, data.fleet, shipped)[is_clear]]),
        np.concatenate([is_faulty, has_fault]),
        np.concatenate([weights, visit_weights]),
    )


def _terms(homes: Labelled, fleet: FleetNormal, model: Model) -> Float:
    measured = measure(homes.signals)
    return model.probe_terms(symmetric_design(measured, measure_deviations(measured, fleet.normal)).rows)

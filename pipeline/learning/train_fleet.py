"""`nightclamp train LAKE`: the shipped classifier moved to the user's own fleet, and whether it beats the shipped one.

    shipped trees ──────────────────────────────────┐
    sound-looking homes ── every fault injected ────┼── adapt ── base rate ── against the shipped model
    visits ── as the homes looked before the visit ─┘

Homes are dealt to fit, temper (which chooses how far to move) and held-out by their id. The base rate and the mix of
faults come from the visits of fit and temper homes and from the shipped model's likelihoods, which owe nothing to what
is said of this fleet. What is normal is what the fleet's homes say as they are.
"""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline.core.contract import OTHER, SOUND
from pipeline.core.settings import Settings
from pipeline.faults.types import Fault
from pipeline.learning.fleet_examples import FIT, HELD_OUT, TEMPER
from pipeline.learning.fleet_training_set import OwnLessons, Tell, own_lessons
from pipeline.learning.labelled import Labelled
from pipeline.learning.map_adaptation import adapt
from pipeline.learning.model_comparison import compare
from pipeline.learning.training import home_weights
from pipeline.probes import NAMES
from pipeline.probes.measured import measure
from pipeline.scoring.design import alike
from pipeline.scoring.fleet_normal import FleetNormal
from pipeline.scoring.model import Model
from pipeline.scoring.model_file import load_model
from pipeline.scoring.normal import deviations
from pipeline.storage.output_location import hold_out

Float = NDArray[np.float64]
Homes = tuple[Float, NDArray[np.bool_], Float]


def train_own(
    lake_root: Path,
    out: Path,
    catalogue: Mapping[str, Fault],
    settings: Settings,
    seed: int,
    tell: Tell = lambda line: None,
) -> Model:
    """Return the model of this lake's fleet with its comparison on its card (`against_shipped`).

    Parameters
    ----------
    lake_root
        The lake.
    out
        The OUT of the nightly runs: its store of day statistics is used and brought up to date.
    catalogue
        The faults.
    settings
        Of the night.
    seed
        The same seed and lake give the same model.
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
    with hold_out(out, settings) as held:
        workdir = held.local / "store" / ".training"
        try:
            held.bring_store()
            own = own_lessons(lake_root, held.local, workdir, shipped, catalogue, settings, seed, tell)
            held.keep_store()
        finally:
            shutil.rmtree(workdir, ignore_errors=True)
    hold, model = best_hold(shipped, own, settings, tell)
    recipe = {"from": shipped.model_id, "seed": seed, **own.recipe, "hold": hold}
    if own.rated is not None:
        rate, mix = own.rated
        mixed = {name: round(share, 5) for name, share in mix.items()}
        model = replace(model, base_rate=round(rate.rate, 5), fault_mix=mixed)
    tell("comparing")
    result = compare(
        shipped, model, own.injected[HELD_OUT], own.visited.get(HELD_OUT), own.fleet, catalogue, settings
    )
    return replace(model, recipe=recipe, against_shipped=result)


def best_hold(shipped: Model, own: OwnLessons, settings: Settings, tell: Tell) -> tuple[float, Model]:
    """Return the [own_fleet] hold of least log loss on the tempering homes, and the model that it makes."""
    fit, temper = (lessons(own, part, shipped, settings) for part in (FIT, TEMPER))
    tried = []
    for hold in settings.own_fleet.holds:
        model = adapt(shipped, *fit, hold)
        tried.append((log_loss(model, shipped, *temper), hold, model))
        tell(f"hold {hold:g}: log loss {tried[-1][0]:.4f}")
    tell(f"shipped: log loss {log_loss(shipped, shipped, *temper):.4f}")
    _, hold, model = min(tried, key=lambda one: one[:2])
    return hold, model


def log_loss(
    model: Model, shipped: Model, terms: Float, is_faulty: NDArray[np.bool_], weights: Float
) -> float:
    """Return the mean -log p(a fault or none) of homes at even odds; `terms` are by the shipped model."""
    factor = np.array([model.probe_slope.get(name, 1.0) for name in NAMES])
    before = np.array([shipped.probe_slope.get(name, 1.0) for name in NAMES])
    log_odds = terms @ (factor / before) + model.offset
    loss = np.logaddexp(0.0, np.where(is_faulty, -log_odds, log_odds))
    return float(weights @ loss / weights.sum())


def lessons(own: OwnLessons, part: str, shipped: Model, settings: Settings) -> Homes:
    """Return what each probe adds (n, probes), truth and weights (n,) of this part's injected and visited homes.

    Injected homes weigh one in the mean, sound ones as much as all faults together. Visited homes come as the fleet
    has them, so a fault found counts by how much rarer faults are in the fleet than in the lessons, and sound
    by how much more frequent it is.
    """
    injected = own.injected[part]
    weight = injected.truth["weight"].to_numpy()
    weights = (
        home_weights(injected.fault, np.zeros(weight.size, dtype=np.bool_), 1.0) * weight / weight.mean()
    )
    terms, is_faulty = _terms(injected, own.fleet, shipped), injected.fault != SOUND
    if own.rated is None or part not in own.visited:
        return terms, is_faulty, weights
    visited, rate = own.visited[part], own.rated[0].rate
    is_told = visited.fault != OTHER
    found = visited.fault[is_told] != SOUND
    counts = settings.own_fleet.visit_weight * np.where(found, 0.5 / rate, 0.5 / (1 - rate))
    more = _terms(visited, own.fleet, shipped)[is_told]
    return (
        np.concatenate([terms, more]),
        np.concatenate([is_faulty, found]),
        np.concatenate([weights, counts]),
    )


def _terms(homes: Labelled, fleet: FleetNormal, model: Model) -> Float:
    measured = measure(homes.signals)
    return model.probe_terms(alike(measured, deviations(measured, fleet.normal)).rows)

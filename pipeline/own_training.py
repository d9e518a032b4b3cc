"""`nightclamp train LAKE`: the shipped classifier moved to the user's own fleet, and whether it beats the shipped one.

    shipped weights ────────────────────────────────┐
    sound-looking homes ── every fault injected ────┼── adapt ── temper ── base rate ── against the shipped model
    visits ── as the homes looked before the visit ─┘

Homes are dealt to fit, temper and held-out by their id. The base rate and the mix of faults come from the visits of
fit and temper homes and from the shipped model's likelihoods, which owe nothing to what is said of this fleet.
"""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from pipeline import classifier
from pipeline.adapting import adapt
from pipeline.classifier import Model, fault_of
from pipeline.contest import compare
from pipeline.contract import OTHER, SOUND
from pipeline.evidence import all_pieces
from pipeline.fault import Fault
from pipeline.out_place import hold_out
from pipeline.own_fleet import FIT, HELD_OUT, TEMPER
from pipeline.own_lessons import OwnLessons, Tell, own_lessons
from pipeline.settings import Settings
from pipeline.tempering import temper
from pipeline.training import home_weights, kinds_of

Float = NDArray[np.float64]


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
    out
        The OUT of the nightly runs: its store of day statistics is used and brought up to date.

    Raises
    ------
    InputError
        The lake or the shipped model is not usable, or too few homes look sound.
    NightFailed
        A night is at work in OUT.
    """
    pieces = tuple(piece.name for _, piece in all_pieces(catalogue))
    shipped = classifier.load(None, pieces)
    with hold_out(out, settings) as held:
        workdir = held.local / "store" / ".training"
        try:
            held.bring_store()
            own = own_lessons(lake_root, held.local, workdir, shipped, catalogue, settings, seed, tell)
            held.keep_store()
        finally:
            shutil.rmtree(workdir, ignore_errors=True)
    hold, model = best_hold(shipped, own, catalogue, settings, tell)
    recipe = {"from": shipped.model_id, "seed": seed, **own.recipe, "hold": hold}
    values, labels, weights = lessons(own, TEMPER, catalogue, settings)
    usual = settings.verdict.base_rate
    model = temper(model, values, labels, weights, usual, settings.own_fleet.temper_hold)
    if own.rated is not None:
        rate, mix = own.rated
        mixed = {name: round(share, 5) for name, share in mix.items()}
        model = replace(model, base_rate=round(rate.rate, 5), fault_mix=mixed)
    tell("comparing")
    result = compare(shipped, model, own.injected[HELD_OUT], own.visited.get(HELD_OUT), catalogue, settings)
    return replace(model, recipe=recipe, against_shipped=result)


def best_hold(
    shipped: Model, own: OwnLessons, catalogue: Mapping[str, Fault], settings: Settings, tell: Tell
) -> tuple[float, Model]:
    """Return the [own_fleet] hold of least log loss on the tempering homes, and the model that it makes."""
    fit = lessons(own, FIT, catalogue, settings)
    values, labels, weights = lessons(own, TEMPER, catalogue, settings)
    rate = settings.verdict.base_rate
    tried = []
    for hold in settings.own_fleet.holds:
        model = adapt(shipped, *fit, hold)
        tried.append((log_loss(model, values, labels, weights, rate), hold, model))
        tell(f"hold {hold:g}: log loss {tried[-1][0]:.4f}")
    tell(f"shipped: log loss {log_loss(shipped, values, labels, weights, rate):.4f}")
    _, hold, model = min(tried, key=lambda one: one[:2])
    return hold, model


def log_loss(model: Model, values: Float, labels: NDArray[np.str_], weights: Float, rate: float) -> float:
    """Return the mean -log p(true fault or sound) of homes weighed to this base rate."""
    fault = np.array([fault_of(label) for label in labels])
    share = model.likelihoods(values, rate)[
        np.arange(len(fault)), [model.classes.index(name) for name in fault]
    ]
    weight = weights * np.where(fault == SOUND, 1 - rate, rate)
    return float(weight @ -np.log(np.maximum(share, 1e-9)) / weight.sum())


def lessons(
    own: OwnLessons, part: str, catalogue: Mapping[str, Fault], settings: Settings
) -> tuple[Float, NDArray[np.str_], Float]:
    """Return evidence (n, pieces), kinds (n,) and weights (n,) of this part's injected and visited homes.

    Injected homes weigh one in the mean, sound ones as much as all faults together. Visited homes come as the fleet
    has them, so a fault found counts by how much rarer faults are in the fleet than in the lessons, and sound
    by how much more frequent it is.
    """
    injected = own.injected[part]
    values, labels = injected.weighed.values, kinds_of(injected.truth, catalogue)
    weight = injected.truth["weight"].to_numpy()
    weights = home_weights(labels, np.zeros(len(labels), dtype=np.bool_), 1.0) * weight / weight.mean()
    if own.rated is None or part not in own.visited:
        return values, labels, weights
    visited, rate = own.visited[part], own.rated[0].rate
    is_told = (visited.truth["fault"] != OTHER).to_numpy()
    more = kinds_of(visited.truth.filter(is_told), catalogue)
    is_sound = np.array([fault_of(label) == SOUND for label in more], dtype=np.bool_)
    counts = settings.own_fleet.visit_weight * np.where(is_sound, 0.5 / (1 - rate), 0.5 / rate)
    return (
        np.concatenate([values, visited.weighed.values[is_told]]),
        np.concatenate([labels, more]),
        np.concatenate([weights, counts]),
    )

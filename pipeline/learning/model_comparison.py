"""The trained model against the shipped one, on homes that neither was fitted to.

Both at the same base rate, every fault alike: what is compared is what they make of evidence. On held-out visits
each stands by its own base rate.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import polars as pl
from numpy.typing import NDArray
from sklearn.metrics import average_precision_score

from pipeline.core.contract import SOUND
from pipeline.core.settings import Settings
from pipeline.faults.types import Fault
from pipeline.learning.labelled import Labelled
from pipeline.scoring.fleet_normal import FleetNormal
from pipeline.scoring.model import Model
from pipeline.scoring.score_homes import score

Float = NDArray[np.float64]
BINS = 10
SURE = 1e-6  # a likelihood is taken as at least this in the log loss
MEASURES = (
    ("average_precision", "average precision", "higher"),
    ("found_share", "faults among the first R homes", "higher"),
    ("named_share", "of these named right", "higher"),
    ("leg_share", "of these with the right leg", "higher"),
    ("calibration_error", "expected calibration error", "lower"),
    ("false_alarm_share", "sound homes called suspect", "lower"),
    ("likelihood_loss", "log loss, a fault or none", "lower"),
    ("log_loss", "log loss, which fault or none", "lower"),
)


@dataclass(frozen=True)
class Fared:
    """How a model fares: `measures` by the names of MEASURES; `losses` and `weights` one a home.

    `losses` are -log p of the true fault or sound, `likelihood_losses` of whether there is a fault at all.
    """

    measures: Mapping[str, float]
    homes: tuple[str, ...]
    losses: Float
    likelihood_losses: Float
    weights: Float


def fares(
    model: Model,
    held_out: Labelled,
    fleet: FleetNormal,
    catalogue: Mapping[str, Fault],
    settings: Settings,
    rate: float | None,
) -> Fared:
    """Return how the model fares on labelled homes.

    Parameters
    ----------
    model
        The model.
    fleet
        What is normal in the fleet that the homes are from.
    catalogue
        The faults.
    settings
        Of the night.
    held_out
        Homes with their truth, one row a home, `truth.weight` how far each counts; those of "other" findings are
        left out.
    rate
        Share of homes with a fault that they are weighed to, every fault alike, the model's own base rate and mix
        laid aside; None: homes as they are, the model as it is.
    """
    if rate is not None:
        model = replace(model, base_rate=None, fault_mix={})
    # Injected copies are no fleet: what is normal is what their own homes said as they are.
    here = replace(
        fleet, rate=model.rate(settings.verdict.base_rate) if rate is None else rate, fault_mix=model.mix()
    )
    told = score(held_out.signals, held_out.sites, here, model, catalogue, settings.verdict)
    frame = held_out.truth.rename({"leg": "true_leg"}).join(told, on="site_id", maintain_order="left")
    frame = frame.filter(pl.col("fault").is_in([*catalogue, SOUND]))
    fault = frame["fault"].to_numpy()
    weights = _weights(fault, frame["weight"].to_numpy(), rate)
    likelihood = frame["likelihood"].to_numpy()
    is_faulty = fault != SOUND
    share = np.array([row[name] for row, name in zip(frame["fault_likelihoods"], fault, strict=True)])
    losses = -np.log(np.maximum(share.astype(np.float64), SURE))
    any_losses = -np.log(np.maximum(np.where(is_faulty, likelihood, 1 - likelihood), SURE))
    order = np.argsort(-likelihood, kind="stable")
    in_cut = np.zeros(fault.size, dtype=bool)
    in_cut[order] = np.cumsum(weights[order]) <= weights[is_faulty].sum() + 1e-9
    found = in_cut & is_faulty
    named = found & (frame["likely_fault"].to_numpy() == fault)
    leg = named & (frame["likely_leg"].fill_null("") == frame["true_leg"].fill_null("")).to_numpy()
    suspects = ~is_faulty & (likelihood >= settings.verdict.suspect)
    measures = {
        "average_precision": float(average_precision_score(is_faulty, likelihood, sample_weight=weights))
        if is_faulty.any()
        else float("nan"),
        "found_share": _share(weights, found, is_faulty),
        "named_share": _share(weights, named, found),
        "leg_share": _share(weights, leg, named),
        "calibration_error": _calibration_error(likelihood, is_faulty, weights),
        "false_alarm_share": _share(weights, suspects, ~is_faulty),
        "likelihood_loss": float(weights @ any_losses / weights.sum()),
        "log_loss": float(weights @ losses / weights.sum()),
    }
    return Fared(measures, tuple(frame["site_id"]), losses, any_losses, weights)


def lead(homes: tuple[str, ...], gain: Float) -> float:
    """Return how many standard errors the sum of `gain` (one a home) lies above 0.

    Copies of a home (site_id before "~") err alike and count as one.
    """
    names, at = np.unique([home.rsplit("~", 1)[0] for home in homes], return_inverse=True)
    by_home = np.bincount(at, weights=gain)
    error = np.sqrt(names.size * by_home.var(ddof=1)) if names.size > 1 else 0.0
    return float(by_home.sum() / error) if error > 0 else 0.0


def compare(
    shipped: Model,
    trained: Model,
    held_out: Labelled,
    visited: Labelled | None,
    fleet: FleetNormal,
    catalogue: Mapping[str, Fault],
    settings: Settings,
) -> dict[str, Any]:
    """Return what goes on the trained model's card as `against_shipped`: both models' measures and who won.

    The trained model wins if its log loss is lower by [own_fleet] beat_z standard errors, its average precision not
    lower by more than precision_slack, and held-out visits (if any) don't speak against its likelihoods by veto_z
    (a dozen visits say little of names).
    """
    own, rate = settings.own_fleet, settings.verdict.base_rate
    ours, theirs = (fares(model, held_out, fleet, catalogue, settings, rate) for model in (trained, shipped))
    z = lead(ours.homes, ours.weights * (theirs.losses - ours.losses))
    against = (
        [f"its log loss is {'lower' if z > 0 else 'higher'} by {abs(z):.1f} standard errors only"]
        if z < own.beat_z
        else []
    )
    if ours.measures["average_precision"] < theirs.measures["average_precision"] - own.precision_slack:
        against.append("its average precision is lower")
    result: dict[str, Any] = {
        "shipped_id": shipped.model_id,
        "base_rate": rate,
        "homes": len({home.rsplit("~", 1)[0] for home in ours.homes}),
        "rows": len(ours.homes),
        "measures": _side_by_side(theirs, ours),
        "log_loss_z": round(z, 2),
    }
    if visited is not None and visited.truth.height:
        seen, before = (
            fares(model, visited, fleet, catalogue, settings, None) for model in (trained, shipped)
        )
        visit_z = lead(seen.homes, seen.weights * (before.likelihood_losses - seen.likelihood_losses))
        if visit_z < -own.veto_z:
            against.append(f"on held-out visits its likelihoods fit worse by {-visit_z:.1f} standard errors")
        result["visits"] = {
            "homes": len(seen.homes),
            "measures": _side_by_side(before, seen),
            "likelihood_loss_z": round(visit_z, 2),
        }
    result["is_better"] = not against
    result["why"] = "; ".join(against) or f"its log loss is lower by {z:.1f} standard errors"
    return result


def table(result: Mapping[str, Any]) -> list[str]:
    """Return the comparison as lines of text."""
    lines = [
        f"{result['homes']} held-out homes, each as it is and with faults, at a base rate of {result['base_rate']:.0%}"
    ]
    parts = [("", result["measures"])]
    if "visits" in result:
        parts.append(
            (
                f"{result['visits']['homes']} held-out visits, each model at its own base rate",
                result["visits"]["measures"],
            )
        )
    for title, measures in parts:
        lines += [title] if title else []
        lines.append(f"  {'':32} {'shipped':>8} {'trained':>8}")
        lines += [
            f"  {words:32} {_number(told['shipped'])} {_number(told['trained'])}  {better} is better"
            for name, words, better in MEASURES
            for told in [measures[name]]
        ]
    verdict = "beats the shipped one" if result["is_better"] else "does not beat the shipped one"
    return [*lines, f"the trained model {verdict}: {result['why']}"]


def _side_by_side(shipped: Fared, trained: Fared) -> dict[str, dict[str, float | None]]:
    def told(fared: Fared, name: str) -> float | None:
        value = fared.measures[name]
        return round(value, 4) if np.isfinite(value) else None

    return {name: {"shipped": told(shipped, name), "trained": told(trained, name)} for name, _, _ in MEASURES}


def _weights(fault: NDArray[Any], weight: Float, rate: float | None) -> Float:
    if rate is None:
        return weight
    names, at = np.unique(fault, return_inverse=True)
    faults = max((names != SOUND).sum(), 1)
    whole = np.where(names == SOUND, 1 - rate, rate / faults)
    weights: Float = (whole / np.bincount(at, weight))[at] * weight
    return weights


def _share(weights: Float, part: NDArray[np.bool_], whole: NDArray[np.bool_]) -> float:
    total = weights[whole].sum()
    return float(weights[part].sum() / total) if total > 0 else float("nan")


def _calibration_error(likelihood: Float, is_faulty: NDArray[np.bool_], weights: Float) -> float:
    """Return the mean gap between likelihood and share of faults over even bins, weighed."""
    place = np.minimum((likelihood * BINS).astype(int), BINS - 1)
    gap = np.bincount(place, weights * (likelihood - is_faulty), BINS)
    return float(np.abs(gap).sum() / weights.sum())


def _number(value: float | None) -> str:
    return f"{'n/a':>8}" if value is None else f"{value:8.3f}"

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
from pipeline.faults.catalogue import CATALOGUE
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
class Performance:
    """How a model does on labelled homes: `measures` by the names of MEASURES; `losses` and `weights` one a home.

    `losses` are -log p of the true fault or sound, `likelihood_losses` of whether there is a fault at all.
    """

    measures: Mapping[str, float]
    homes: tuple[str, ...]
    losses: Float
    likelihood_losses: Float
    weights: Float


def measure_model(
    model: Model, homes: Labelled, fleet: FleetNormal, *, settings: Settings, rate: float | None
) -> Performance:
    """Return how the model does on labelled homes.

    Parameters
    ----------
    model, fleet, settings
        The model, what is normal in the fleet that the homes are from, and settings of the night.
    homes
        With their truth, `truth.weight` how far each counts; those of "other" findings are left out.
    rate
        Share of homes with a fault that they are weighed to, every fault alike, the model's own base rate and mix
        laid aside; None: homes as they are, the model as it is.
    """
    if rate is not None:
        model = replace(model, base_rate=None, fault_mix={})
    # Injected copies are no fleet: what is normal is what their own homes said as they are.
    prior = model.rate(settings.verdict.base_rate) if rate is None else rate
    fleet = replace(fleet, rate=prior, fault_mix=model.mix())
    scores = score(
        homes.signals, homes.sites, fleet, model=model, catalogue=CATALOGUE, settings=settings.verdict
    )
    frame = (
        homes.truth.rename({"leg": "true_leg"})
        .join(scores, on="site_id", maintain_order="left")
        .filter(pl.col("fault").is_in([*CATALOGUE, SOUND]))
    )
    fault = frame["fault"].to_numpy()
    weights = _weights(fault, frame["weight"].to_numpy(), rate)
    likelihood = frame["likelihood"].to_numpy()
    is_faulty = fault != SOUND
    share = np.array([row[name] for row, name in zip(frame["fault_likelihoods"], fault, strict=True)])
    losses = -np.log(np.maximum(share.astype(np.float64), SURE))
    likelihood_losses = -np.log(np.maximum(np.where(is_faulty, likelihood, 1 - likelihood), SURE))
    order = np.argsort(-likelihood, kind="stable")
    is_first = np.zeros(fault.size, dtype=bool)
    is_first[order] = np.cumsum(weights[order]) <= weights[is_faulty].sum() + 1e-9
    is_found = is_first & is_faulty
    is_named = is_found & (frame["likely_fault"].to_numpy() == fault)
    is_leg_right = (
        is_named & (frame["likely_leg"].fill_null("") == frame["true_leg"].fill_null("")).to_numpy()
    )
    is_false_alarm = ~is_faulty & (likelihood >= settings.verdict.suspect)
    precision = np.nan
    if is_faulty.any():
        precision = average_precision_score(is_faulty, likelihood, sample_weight=weights)
    measures = {
        "average_precision": float(precision),
        "found_share": _share(weights, is_found, is_faulty),
        "named_share": _share(weights, is_named, is_found),
        "leg_share": _share(weights, is_leg_right, is_named),
        "calibration_error": _calibration_error(likelihood, is_faulty, weights),
        "false_alarm_share": _share(weights, is_false_alarm, ~is_faulty),
        "likelihood_loss": float(weights @ likelihood_losses / weights.sum()),
        "log_loss": float(weights @ losses / weights.sum()),
    }
    return Performance(measures, tuple(frame["site_id"]), losses, likelihood_losses, weights)


def gain_z(homes: tuple[str, ...], gain: Float) -> float:
    """Return how many standard errors the sum of `gain` (one a home) lies above 0.

    Copies of a home (site_id before "~") err alike and count as one.
    """
    names, index = np.unique([home.rsplit("~", 1)[0] for home in homes], return_inverse=True)
    by_home = np.bincount(index, weights=gain)
    error = np.sqrt(names.size * by_home.var(ddof=1)) if names.size > 1 else 0.0
    return float(by_home.sum() / error) if error > 0 else 0.0


def compare(
    shipped: Model,
    trained: Model,
    held_out: Labelled,
    *,
    visited: Labelled | None,
    fleet: FleetNormal,
    settings: Settings,
) -> dict[str, Any]:
    """Return what goes on the trained model's card as `against_shipped`: both models' measures and who won.

    The trained model wins if its log loss is lower by [own_fleet] beat_z standard errors, its average precision not
    lower by more than precision_slack, and held-out visits (if any) don't speak against its likelihoods by veto_z
    (a dozen visits say little of names).

    Parameters
    ----------
    shipped, trained
        The two models.
    held_out, visited
        Homes with injected faults that neither was fitted to, and visited homes likewise, if there are any.
    fleet, settings
        What is normal in their fleet; settings of the night.
    """
    own_fleet, rate = settings.own_fleet, settings.verdict.base_rate
    before, after = (
        measure_model(model, held_out, fleet, settings=settings, rate=rate) for model in (shipped, trained)
    )
    z = gain_z(after.homes, after.weights * (before.losses - after.losses))
    against = []
    if z < own_fleet.beat_z:
        against.append(
            f"its log loss is {'lower' if z > 0 else 'higher'} by {abs(z):.1f} standard errors only"
        )
    if after.measures["average_precision"] < before.measures["average_precision"] - own_fleet.precision_slack:
        against.append("its average precision is lower")
    result: dict[str, Any] = {
        "shipped_id": shipped.model_id,
        "base_rate": rate,
        "homes": len({home.rsplit("~", 1)[0] for home in after.homes}),
        "rows": len(after.homes),
        "measures": _side_by_side(before, after),
        "log_loss_z": round(z, 2),
    }
    if visited is not None and visited.truth.height:
        before, after = (
            measure_model(model, visited, fleet, settings=settings, rate=None) for model in (shipped, trained)
        )
        visit_z = gain_z(after.homes, after.weights * (before.likelihood_losses - after.likelihood_losses))
        if visit_z < -own_fleet.veto_z:
            against.append(f"on held-out visits its likelihoods fit worse by {-visit_z:.1f} standard errors")
        result["visits"] = {
            "homes": len(after.homes),
            "measures": _side_by_side(before, after),
            "likelihood_loss_z": round(visit_z, 2),
        }
    result["is_better"] = not against
    result["why"] = "; ".join(against) or f"its log loss is lower by {z:.1f} standard errors"
    return result


def comparison_lines(result: Mapping[str, Any]) -> list[str]:
    """Return the comparison as lines of text."""
    lines = [
        f"{result['homes']} held-out homes, each as it is and with faults, at a base rate of {result['base_rate']:.0%}",
        *_measure_lines(result["measures"]),
    ]
    if "visits" in result:
        visits = result["visits"]
        lines.append(f"{visits['homes']} held-out visits, each model at its own base rate")
        lines += _measure_lines(visits["measures"])
    verdict = "beats the shipped one" if result["is_better"] else "does not beat the shipped one"
    return [*lines, f"the trained model {verdict}: {result['why']}"]


def _measure_lines(measures: Mapping[str, Mapping[str, float | None]]) -> list[str]:
    lines = [f"  {'':32} {'shipped':>8} {'trained':>8}"]
    for name, words, better in MEASURES:
        shipped, trained = (
            f"{'n/a':>8}" if value is None else f"{value:8.3f}"
            for value in (measures[name]["shipped"], measures[name]["trained"])
        )
        lines.append(f"  {words:32} {shipped} {trained}  {better} is better")
    return lines


def _side_by_side(shipped: Performance, trained: Performance) -> dict[str, dict[str, float | None]]:
    both = {"shipped": shipped.measures, "trained": trained.measures}
    return {
        name: {who: round(of[name], 4) if np.isfinite(of[name]) else None for who, of in both.items()}
        for name, _, _ in MEASURES
    }


def _weights(fault: NDArray[Any], weight: Float, rate: float | None) -> Float:
    if rate is None:
        return weight
    names, index = np.unique(fault, return_inverse=True)
    faults = max((names != SOUND).sum(), 1)
    total = np.where(names == SOUND, 1 - rate, rate / faults)
    return (total / np.bincount(index, weight))[index] * weight


def _share(weights: Float, part: NDArray[np.bool_], whole: NDArray[np.bool_]) -> float:
    total = weights[whole].sum()
    return float(weights[part].sum() / total) if total > 0 else float("nan")


def _calibration_error(likelihood: Float, is_faulty: NDArray[np.bool_], weights: Float) -> float:
    """Return the mean gap between likelihood and share of faults over even bins, weighed."""
    index = np.minimum((likelihood * BINS).astype(int), BINS - 1)
    gap = np.bincount(index, weights * (likelihood - is_faulty), BINS)
    return float(np.abs(gap).sum() / weights.sum())

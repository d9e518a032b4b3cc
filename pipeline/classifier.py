"""Evidence -> calibrated likelihoods: an additive model, prior plus one weight a piece of evidence.

A multinomial logistic regression over the pieces, each spread over steps so that its weight need not grow evenly with
its value; *cannot tell* adds nothing. Then moved from the training mix to the fleet's base rate, and tempered
on fleets it never fitted.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import skops.io
from numpy.typing import NDArray
from sklearn.linear_model import LogisticRegression

from pipeline.contract import SOUND
from pipeline.errors import InputError

Float = NDArray[np.float64]
SHIPPED = "model"
# Where a piece's weight may step up: near no, near yes, and a few places between.
EDGES = (0.005, 0.02, 0.06, 0.15, 0.3, 0.7, 0.9, 0.98)
STEPS = len(EDGES) + 1
_FILE, _CARD = "weights.skops", "card.json"
# What the model file may hold; anything else in it is refused before it is built.
TRUSTED = ("sklearn.linear_model._logistic.LogisticRegression",)


@dataclass(frozen=True)
class Model:
    """A fitted classifier and how it was made.

    `pieces` are the evidence columns in order, `classes` the faults and sound in the order of the estimator;
    `stretch` and `offset` [log odds] calibrate each fault's score against sound (1 and 0 if not
    named); `train_share` is the share of each class
    in the training mix; `recipe` is what `nightclamp train` needs to make it again.
    """

    estimator: LogisticRegression
    pieces: tuple[str, ...]
    stretch: Mapping[str, float] = field(default_factory=dict)
    offset: Mapping[str, float] = field(default_factory=dict)
    recipe: Mapping[str, Any] = field(default_factory=dict)
    train_share: Mapping[str, float] = field(default_factory=dict)

    @property
    def classes(self) -> tuple[str, ...]:
        """Faults and sound, in the estimator's order."""
        return tuple(str(name) for name in self.estimator.classes_)

    @cached_property
    def model_id(self) -> str:
        """Short digest of weights and calibration."""
        digest = hashlib.blake2b(digest_size=6)
        digest.update(np.round(self.estimator.coef_, 9).tobytes())
        digest.update(np.round(self.estimator.intercept_, 9).tobytes())
        digest.update(
            json.dumps([self.pieces, dict(self.stretch), dict(self.offset)], sort_keys=True).encode()
        )
        return digest.hexdigest()

    @cached_property
    def _stretch(self) -> Float:
        return np.array([self.stretch.get(c, 1.0) for c in self.classes])

    def prior(self, base_rate: float) -> Float:
        """Return the log odds of each class against sound before any evidence, shape (classes,)."""
        at = self.classes.index(SOUND)
        faults = len(self.classes) - 1
        wanted = np.array([1 - base_rate if c == SOUND else base_rate / faults for c in self.classes])
        trained = np.array([self.train_share.get(c, 1 / len(self.classes)) for c in self.classes])
        moved = np.log(wanted / trained)
        own = self.estimator.intercept_ - self.estimator.intercept_[at]
        offset = np.array([self.offset.get(c, 0.0) for c in self.classes])
        start: Float = self._stretch * own + offset + moved - moved[at]
        return start

    def likelihoods(self, values: Float, base_rate: float) -> Float:
        """Return the likelihood of each class, shape (n, classes), rows summing to 1.

        `values` is (n, pieces) from 0 to 1, NaN for *cannot tell*.
        """
        score = encode(values) @ self.weights.T + self.prior(base_rate)
        score -= score.max(axis=1, keepdims=True)
        power = np.exp(score)
        share: Float = power / power.sum(axis=1, keepdims=True)
        return share

    @cached_property
    def weights(self) -> Float:
        """Weight [log odds against sound] of each step of each piece, (classes, pieces * STEPS), calibrated."""
        own = self.estimator.coef_ - self.estimator.coef_[self.classes.index(SOUND)]
        weight: Float = self._stretch[:, None] * own
        return weight

    def contributions(self, values: Float, name: str) -> Float:
        """Return what each piece adds to this class against sound [log odds], shape (n, pieces)."""
        row = self.weights[self.classes.index(name)]
        added = (encode(values) * row).reshape(len(values), len(self.pieces), STEPS)
        total: Float = added.sum(axis=2)
        return total

    def full_weights(self, name: str) -> dict[str, float]:
        """Return piece -> what it adds to this class against sound when it says a full yes [log odds]."""
        yes = self.contributions(np.ones((1, len(self.pieces))), name)[0]
        no = self.contributions(np.zeros((1, len(self.pieces))), name)[0]
        return dict(zip(self.pieces, (yes - no).tolist(), strict=True))


def encode(values: Float) -> Float:
    """Return evidence (n, pieces) as (n, pieces * STEPS): the signed value, and how it lies to each edge.

    Over an edge is +0.5, under it -0.5; *cannot tell* is 0 throughout, so it adds nothing to any class.
    """
    unknown = np.isnan(values)
    steps = [2 * values - 1, *(np.where(values > edge, 0.5, -0.5) for edge in EDGES)]
    steps = [np.where(unknown, 0.0, step) for step in steps]
    spread: Float = np.stack(steps, axis=2).astype(np.float64).reshape(len(values), -1)
    return spread


def fit(
    values: Float,
    labels: NDArray[np.str_],
    weights: Float,
    pieces: tuple[str, ...],
    strength: float,
    recipe: Mapping[str, Any],
) -> Model:
    """Fit the additive model.

    `values` (n, pieces), `labels` the true fault or sound, `weights` (n,) how much each home counts, `strength`
    the inverse of the quadratic penalty (scikit-learn's C).
    """
    estimator = LogisticRegression(C=strength, max_iter=3000, tol=1e-6)
    estimator.fit(encode(values), labels, sample_weight=weights)
    total = weights.sum()
    share = {str(c): float(weights[labels == c].sum() / total) for c in estimator.classes_}
    return Model(estimator, pieces, recipe=recipe, train_share=share)


def save(model: Model, folder: Path) -> None:
    """Write the model as a skops file (no code in it) and its card as JSON."""
    folder.mkdir(parents=True, exist_ok=True)
    skops.io.dump(model.estimator, folder / _FILE)
    card = {
        "model_id": model.model_id,
        "weights_sha256": hashlib.sha256((folder / _FILE).read_bytes()).hexdigest(),
        "pieces": list(model.pieces),
        "edges": list(EDGES),
        "stretch": dict(model.stretch),
        "offset": dict(model.offset),
        "train_share": dict(model.train_share),
        "recipe": dict(model.recipe),
    }
    (folder / _CARD).write_text(json.dumps(card, indent=1) + "\n", encoding="utf-8")


def load(folder: Path | None = None, pieces: tuple[str, ...] | None = None) -> Model:
    """Load a model from `folder`, or the shipped one; `pieces` are those of the catalogue, to compare.

    Raises
    ------
    InputError
        A file is missing, was changed since it was written, holds types that a model has no need of, or was
        trained on other pieces of evidence.
    """
    root = folder or Path(str(files("pipeline").joinpath(SHIPPED)))
    again = "train it again with `nightclamp train`"
    try:
        card = json.loads((root / _CARD).read_text(encoding="utf-8"))
        raw = (root / _FILE).read_bytes()
    except (OSError, ValueError) as error:
        raise InputError(f"{root}: no readable model ({error}); {again}") from error
    if hashlib.sha256(raw).hexdigest() != card.get("weights_sha256"):
        raise InputError(f"{root / _FILE}: not the file that {_CARD} was written with; {again}")
    try:
        estimator = skops.io.loads(raw, trusted=list(TRUSTED))
    except Exception as error:
        raise InputError(f"{root / _FILE}: not a model this version can load; {again}") from error
    if not isinstance(estimator, LogisticRegression):
        raise InputError(
            f"{root / _FILE}: holds a {type(estimator).__name__}, not the additive model; {again}"
        )
    if card.get("edges") != list(EDGES):
        raise InputError(f"{root}: fitted on other steps of the evidence than this version's; {again}")
    model = Model(
        estimator,
        tuple(card["pieces"]),
        card["stretch"],
        card["offset"],
        card["recipe"],
        card["train_share"],
    )
    if pieces is not None and model.pieces != pieces:
        odd = sorted(set(pieces) ^ set(model.pieces)) or ["their order"]
        raise InputError(
            f"{root}: trained on other evidence than this version's ({', '.join(odd[:3])}); {again}"
        )
    return model

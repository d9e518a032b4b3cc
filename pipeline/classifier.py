"""Evidence -> calibrated likelihoods: an additive model, prior plus one weight a piece of evidence.

A multinomial logistic regression over the pieces, each spread over steps so that its weight need not grow evenly with
its value; *cannot tell* adds nothing. Then moved from the training mix to the fleet's base rate, and tempered
on fleets it never fitted.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from pipeline.contract import SOUND
from pipeline.digits import BLOCK, blocks, product, softmax
from pipeline.errors import InputError
from pipeline.model_file import AGAIN, Linear, read_model, write_model

Float = NDArray[np.float64]
SHIPPED = "model"
# Where a piece's weight may step up: near no, near yes, and a few places between.
EDGES = (0.005, 0.02, 0.06, 0.15, 0.3, 0.7, 0.9, 0.98)
STEPS = len(EDGES) + 1
QUIET = 0.15  # a fault's piece below this says nothing


@dataclass(frozen=True)
class Model:
    """A fitted classifier and how it was made.

    `pieces` are the evidence columns in order; `linear` tells kinds of faults ("reversed/one");
    `stretch` and `offset` [log odds] calibrate each fault's score against sound (1 and 0 if not
    named); `train_share` is the share of each class
    in the training mix; `recipe` is what `nightclamp train` needs to make it again. A model of a user's own fleet also
    has the `base_rate` and `fault_mix` (share of each fault, summing to 1) that its visits say, and how it fared
    `against_shipped`.
    """

    linear: Linear
    pieces: tuple[str, ...]
    two_sided: tuple[str, ...] = ()
    stretch: Mapping[str, float] = field(default_factory=dict)
    offset: Mapping[str, float] = field(default_factory=dict)
    recipe: Mapping[str, Any] = field(default_factory=dict)
    train_share: Mapping[str, float] = field(default_factory=dict)
    base_rate: float | None = None
    fault_mix: Mapping[str, float] = field(default_factory=dict)
    against_shipped: Mapping[str, Any] = field(default_factory=dict)

    def rate(self, otherwise: float) -> float:
        """Return the base rate of the model's own fleet, or `otherwise` where it has none."""
        return otherwise if self.base_rate is None else self.base_rate

    @cached_property
    def kinds(self) -> tuple[str, ...]:
        """What the weights tell apart: a fault or sound, with "/" and the kind of it."""
        return tuple(str(name) for name in self.linear.kinds)

    @cached_property
    def classes(self) -> tuple[str, ...]:
        """Faults and sound, sorted; each is the sum of its kinds."""
        return tuple(sorted({fault_of(kind) for kind in self.kinds}))

    @cached_property
    def _sum_of(self) -> Float:
        """(kinds, classes): 1 where the kind belongs to the class."""
        return np.array([[float(fault_of(kind) == name) for name in self.classes] for kind in self.kinds])

    @cached_property
    def model_id(self) -> str:
        """Short digest of weights and calibration."""
        digest = hashlib.blake2b(digest_size=6)
        digest.update(np.round(self.linear.coefficients, 9).tobytes())
        digest.update(np.round(self.linear.intercepts, 9).tobytes())
        told: list[Any] = [self.pieces, self.two_sided, dict(self.stretch), dict(self.offset)]
        told += [self.base_rate, dict(self.fault_mix)] if self.base_rate is not None else []
        digest.update(json.dumps(told, sort_keys=True).encode())
        return digest.hexdigest()

    @cached_property
    def _stretch(self) -> Float:
        return np.array([self.stretch.get(fault_of(kind), 1.0) for kind in self.kinds])

    def prior(self, base_rate: float) -> Float:
        """Return the log odds of each kind against all of sound before any evidence, shape (kinds,).

        Every fault has the same share of the base rate unless the model has a mix of faults; its kinds share it as
        in the training mix.
        """
        even = 1 / (len(self.classes) - 1)
        mix = np.array([self.fault_mix.get(fault_of(kind), even) for kind in self.kinds])
        share = np.array([self.train_share.get(kind, 1.0 / len(self.kinds)) for kind in self.kinds])
        of_class = self._sum_of @ (share @ self._sum_of)
        is_sound = np.array([fault_of(kind) == SOUND for kind in self.kinds])
        wanted = np.where(is_sound, 1 - base_rate, base_rate * mix) * share / of_class
        offset = np.array([self.offset.get(fault_of(kind), 0.0) for kind in self.kinds])
        start = self._stretch * self._against_sound(self.linear.intercepts) + offset + np.log(wanted / share)
        against: Float = start - np.log((1 - base_rate) / of_class[is_sound][0])
        return against

    def _against_sound(self, own: Float) -> Float:
        """Return coefficients less the mean of sound's kinds, so that the stretch acts on the difference."""
        is_sound = np.array([fault_of(kind) == SOUND for kind in self.kinds])
        moved: Float = own - own[is_sound].mean(axis=0)
        return moved

    def scores(self, values: Float, base_rate: float) -> Float:
        """Return the log odds of each kind, up to a constant a home, shape (n, kinds)."""
        prior = self.prior(base_rate)
        score: Float = np.concatenate(
            [product(self.encoded(block), self.weights.T) + prior for block in blocks(values)]
        )
        return score[: len(values)]

    def likelihoods(self, values: Float, base_rate: float) -> Float:
        """Return the likelihood of each class, shape (n, classes), rows summing to 1.

        `values` is (n, pieces) from 0 to 1, NaN for *cannot tell*.
        """
        return self.shares(self.scores(values, base_rate))

    def shares(self, score: Float) -> Float:
        """Return the likelihoods that these `scores` stand for, shape (n, classes)."""
        share: Float = np.concatenate([softmax(block) @ self._sum_of for block in blocks(score)])
        return share[: len(score)]

    @cached_property
    def weights(self) -> Float:
        """Weight [log odds against sound] of each step of each piece, (kinds, pieces * STEPS), calibrated."""
        weight: Float = self._stretch[:, None] * self._against_sound(self.linear.coefficients)
        return weight

    def encoded(self, values: Float) -> Float:
        """Return `encode` of these values (n, pieces) with this model's two-sided pieces."""
        return encode(values, np.isin(self.pieces, self.two_sided))

    def likeliest_kind(self, score: Float, name: str) -> NDArray[np.int64]:
        """Return the column of the likeliest kind of this class for each home by its `scores`, shape (n,)."""
        outside = np.array([fault_of(kind) != name for kind in self.kinds])
        best: NDArray[np.int64] = np.where(outside, -np.inf, score).argmax(axis=1)
        return best

    def against_sound(
        self, values: Float, names: Sequence[str], base_rate: float, score: Float | None = None
    ) -> tuple[Float, Float]:
        """Return the prior of each home's class, of `names`, against sound, and what each piece adds [log odds].

        Of both the likeliest kind for the home is taken, so that prior and pieces add up to its odds against sound.
        `score` are the homes' `scores`, for whoever has them.
        """
        score = self.scores(values, base_rate) if score is None else score
        sound = self.likeliest_kind(score, SOUND)
        kind = np.empty_like(sound)
        told = np.array(names, dtype=np.str_)
        for name in np.unique(told):
            kind[told == name] = self.likeliest_kind(score[told == name], str(name))
        prior = self.prior(base_rate)
        parts = []
        # Encoded, a home takes some hundred times the room of its scores.
        for at in range(0, len(values), BLOCK):
            some = slice(at, at + BLOCK)
            row = self.weights[kind[some]] - self.weights[sound[some]]
            parts.append((self.encoded(values[some]) * row).reshape(-1, len(self.pieces), STEPS).sum(axis=2))
        added: Float = np.concatenate(parts) if parts else np.empty((0, len(self.pieces)))
        return prior[kind] - prior[sound], added

    def full_weights(self, name: str) -> dict[str, float]:
        """Return piece -> the most a full yes adds to any kind of this class over a full no [log odds]."""
        yes, no = np.ones((1, len(self.pieces))), np.zeros((1, len(self.pieces)))
        inside = np.array([fault_of(kind) == name for kind in self.kinds])
        per_kind = (
            ((self.encoded(yes) - self.encoded(no)) * self.weights[inside])
            .reshape(-1, len(self.pieces), STEPS)
            .sum(axis=2)
        )
        return dict(zip(self.pieces, per_kind.max(axis=0).tolist(), strict=True))


def fault_of(kind: str) -> str:
    """Return the fault (or sound) that a kind belongs to."""
    return kind.split("/", 1)[0]


def encode(values: Float, is_two_sided: NDArray[np.bool_]) -> Float:
    """Return evidence (n, pieces) as (n, pieces * STEPS): the value, and which edges it is over.

    A fault's piece speaks only as far as it fires: below QUIET it adds nothing, like *cannot tell*, so that one
    fault's silence is no evidence for another. A piece of a sound install (two-sided) speaks both ways: over an
    edge is +0.5, under it -0.5; only *cannot tell* adds nothing.
    """
    unknown = np.isnan(values)
    shift = np.where(is_two_sided, 0.5, 0.0)
    said = np.where(is_two_sided, values, np.where(values < QUIET, 0.0, values))
    spread: Float = np.empty((*values.shape, STEPS))
    spread[:, :, 0] = said - shift
    for at, edge in enumerate(EDGES, start=1):
        spread[:, :, at] = (said > edge) - shift
    spread[unknown] = 0.0
    return spread.reshape(len(values), values.shape[1] * STEPS)


def fit(
    values: Float,
    labels: NDArray[np.str_],
    weights: Float,
    pieces: tuple[str, ...],
    strength: float,
    recipe: Mapping[str, Any],
    two_sided: tuple[str, ...] = (),
) -> Model:
    """Fit the additive model.

    `values` (n, pieces), `labels` the true kinds ("fault/kind" or plain names), `weights` (n,) how much each home
    counts, `strength` the inverse of the quadratic penalty (scikit-learn's C), `two_sided` the pieces that speak
    both ways (see `encode`).
    """
    from sklearn.linear_model import LogisticRegression  # takes long to load, and a night fits nothing

    estimator = LogisticRegression(C=strength, max_iter=1000, tol=1e-4)
    estimator.fit(encode(values, np.isin(pieces, two_sided)), labels, sample_weight=weights)
    total = weights.sum()
    share = {str(c): float(weights[labels == c].sum() / total) for c in estimator.classes_}
    linear = Linear(estimator.coef_, estimator.intercept_, estimator.classes_.astype(str), strength)
    return Model(linear, pieces, two_sided, recipe=recipe, train_share=share)


def save(model: Model, folder: Path) -> None:
    """Write the model's two files (see `model_file`)."""
    told: dict[str, Any] = {
        "model_id": model.model_id,
        "pieces": list(model.pieces),
        "two_sided": list(model.two_sided),
        "edges": list(EDGES),
        "stretch": dict(model.stretch),
        "offset": dict(model.offset),
        "train_share": dict(model.train_share),
        "recipe": dict(model.recipe),
    }
    if model.base_rate is not None:
        told |= {"base_rate": model.base_rate, "fault_mix": dict(model.fault_mix)}
    if model.against_shipped:
        told["against_shipped"] = dict(model.against_shipped)
    write_model(folder, model.linear, told)


def load(folder: Path | None = None, pieces: tuple[str, ...] | None = None) -> Model:
    """Load a model from `folder`, or the shipped one; `pieces` are those of the catalogue, to compare.

    Raises
    ------
    InputError
        As `model_file.read_model` raises it; or the model was trained on other pieces of evidence.
    """
    root = folder or Path(str(files("pipeline").joinpath(SHIPPED)))
    linear, card = read_model(root)
    if card.edges != list(EDGES):
        raise InputError(f"{root}: fitted on other steps of the evidence than this version's; {AGAIN}")
    model = Model(
        linear,
        tuple(card.pieces),
        tuple(card.two_sided),
        card.stretch,
        card.offset,
        card.recipe,
        card.train_share,
        card.base_rate,
        card.fault_mix,
        card.against_shipped,
    )
    if model.model_id != card.model_id:
        raise InputError(f"{root}: the weights are not those of model {card.model_id}; {AGAIN}")
    if pieces is not None and model.pieces != pieces:
        odd = sorted(set(pieces) ^ set(model.pieces)) or ["their order"]
        raise InputError(
            f"{root}: trained on other evidence than this version's ({', '.join(odd[:3])}); {AGAIN}"
        )
    return model

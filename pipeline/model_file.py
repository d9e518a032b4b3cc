"""A model on disk: weights as a skops file, which holds no code, and a card that seals both.

    weights.skops   the estimator as scikit-learn has it: arrays, and a list of what they belong to
    card.json       what the weights mean and how they were made, the weights' digest, and the card's own

A night takes the three arrays that it scores with straight from the archive: no class is named, found or built, and
scikit-learn stays unloaded. Nothing in the folder is ever run. What was damaged, edited, mixed up or written by another
version is refused with how to get a model that fits. The seals keep out accidents and careless edits; who can write the
folder can also seal it again, and gets wrong likelihoods, but no code run.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from pipeline.errors import InputError

WEIGHTS, CARD = "weights.skops", "card.json"
FORMAT = 1  # of the two files; another number is another version's
AGAIN = "train it again with `nightclamp train`"
_ESTIMATOR = {
    "__class__": "LogisticRegression", "__module__": "sklearn.linear_model._logistic", "__loader__": "ObjectNode",
}  # fmt: skip
_SEAL = "card_sha256"
_MOST_BYTES = 64 * 2**20  # unpacked; the shipped weights take 0.2 MB


@dataclass(frozen=True)
class Linear:
    """A fitted multinomial logistic regression: `coefficients` (kinds, columns), `intercepts` (kinds,), their `kinds`.

    `strength` is the inverse of the quadratic penalty that it was fitted with (scikit-learn's C).
    """

    coefficients: NDArray[np.float64]
    intercepts: NDArray[np.float64]
    kinds: NDArray[np.str_]
    strength: float


class Card(BaseModel):
    """The card's content; see `classifier.Model` for what each means."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)

    format: int
    model_id: str
    weights_sha256: str
    pieces: list[str]
    two_sided: list[str]
    edges: list[float]
    stretch: dict[str, float]
    offset: dict[str, float]
    train_share: dict[str, float]
    recipe: dict[str, Any]
    base_rate: float | None = Field(default=None, gt=0, lt=1)
    fault_mix: dict[str, float] = {}
    against_shipped: dict[str, Any] = {}


def write_model(folder: Path, linear: Linear, told: Mapping[str, Any]) -> None:
    """Write the weights and their card: `told` has every field of `Card` but the format and the digest."""
    import skops.io  # with scikit-learn two seconds to load, and a night writes no model
    from sklearn.linear_model import LogisticRegression

    estimator = LogisticRegression(C=linear.strength)
    estimator.classes_, estimator.n_features_in_ = linear.kinds, linear.coefficients.shape[1]
    estimator.coef_, estimator.intercept_ = linear.coefficients, linear.intercepts
    folder.mkdir(parents=True, exist_ok=True)
    skops.io.dump(estimator, folder / WEIGHTS)
    card = {"format": FORMAT, "weights_sha256": _digest((folder / WEIGHTS).read_bytes()), **told}
    (folder / CARD).write_text(json.dumps({**card, _SEAL: _seal(card)}, indent=1) + "\n", encoding="utf-8")


def read_model(folder: Path) -> tuple[Linear, Card]:
    """Return the weights and the card, every weight finite, one a class, piece and step of it.

    Raises
    ------
    InputError
        A file is missing, was changed since it was written, belongs to another version, or holds what a model has
        no need of; one line with what to do.
    """
    try:
        told = json.loads((folder / CARD).read_text(encoding="utf-8"))
        raw = (folder / WEIGHTS).read_bytes()
    except (OSError, ValueError, RecursionError) as error:
        raise InputError(f"{folder}: no readable model ({_line(error)}); {AGAIN}") from error
    card = _checked_card(folder / CARD, told)
    if _digest(raw) != card.weights_sha256:
        raise InputError(f"{folder / WEIGHTS}: not the file that {CARD} was written with; {AGAIN}")
    linear = _checked_weights(folder / WEIGHTS, raw, len(card.pieces) * (len(card.edges) + 1))
    return linear, card


def _checked_card(path: Path, told: Any) -> Card:
    if not isinstance(told, dict):
        raise InputError(f"{path}: not the card of a model; {AGAIN}")
    if told.get("format") != FORMAT:
        raise InputError(f"{path}: written by another version of nightclamp; {AGAIN}")
    seal = told.pop(_SEAL, None)
    if seal != _seal(told):
        raise InputError(f"{path}: changed since it was written; {AGAIN}")
    try:
        return Card(**told)
    except (ValidationError, TypeError) as error:
        raise InputError(
            f"{path}: not a card that this version can read ({_line(error)}); {AGAIN}"
        ) from error


def _checked_weights(path: Path, raw: bytes, columns: int) -> Linear:
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            unpacked = sum(member.file_size for member in archive.infolist())
            if unpacked > _MOST_BYTES:
                raise InputError(f"{path}: unpacks to {unpacked} bytes, more than any model; {AGAIN}")
            told = json.loads(archive.read("schema.json"))
            if any(told[name] != wanted for name, wanted in _ESTIMATOR.items()):
                raise InputError(
                    f"{path}: holds a {_line(told['__class__'])}, not the additive model; {AGAIN}"
                )
            held = told["content"]["content"]
            if not all(held.get(name, {}).get("file") for name in ("coef_", "intercept_", "classes_")):
                raise InputError(f"{path}: has no fitted weights; {AGAIN}")
            weights, start, kinds = (
                _array(archive, held[name]["file"]) for name in ("coef_", "intercept_", "classes_")
            )
            strength = float(json.loads(held["C"]["content"]))
    except InputError:
        raise
    except Exception as error:  # what a broken or hostile file makes of the libraries is not foreseeable
        raise InputError(f"{path}: not a model this version can load; {AGAIN}") from error
    is_whole = (
        kinds.dtype.kind == "U"
        and kinds.ndim == 1
        and weights.shape == (kinds.size, columns)
        and start.shape == (kinds.size,)
        and all(array.dtype.kind == "f" and np.isfinite(array).all() for array in (weights, start))
    )
    if not is_whole:
        raise InputError(f"{path}: its weights are not one finite number a class and step; {AGAIN}")
    return Linear(weights, start, kinds, strength)


def _array(archive: zipfile.ZipFile, name: str) -> NDArray[Any]:
    """Return an array of the archive; one of objects, which would have to be unpickled, is refused."""
    array: NDArray[Any] = np.load(io.BytesIO(archive.read(name)), allow_pickle=False)
    return array


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _seal(card: Mapping[str, Any]) -> str:
    return _digest(json.dumps(card, sort_keys=True, separators=(",", ":")).encode())


def _line(error: object) -> str:
    return " ".join(str(error).split())[:200]

"""A model on disk: weights as a skops file, which holds no code, and a card that seals both.

    weights.skops   the estimator: arrays, and a list of types that is checked before anything is built
    card.json       what the weights mean and how they were made, the weights' digest, and the card's own

Nothing in the folder is ever run. What was damaged, edited, mixed up or written by another version is refused with
how to get a model that fits. The seals keep out accidents and careless edits; who can write the folder can also
seal it again, and gets wrong likelihoods, but no code run.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import skops.io
from pydantic import BaseModel, ConfigDict, Field, ValidationError
from sklearn.linear_model import LogisticRegression

from pipeline.errors import InputError

WEIGHTS, CARD = "weights.skops", "card.json"
FORMAT = 1  # of the two files; another number is another version's
AGAIN = "train it again with `nightclamp train`"
# What the weights may be made of; anything else in the file is refused before it is built.
TRUSTED = ("sklearn.linear_model._logistic.LogisticRegression",)
_SEAL = "card_sha256"
_MOST_BYTES = 64 * 2**20  # unpacked; the shipped weights take 0.2 MB


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


def write_model(folder: Path, estimator: LogisticRegression, told: Mapping[str, Any]) -> None:
    """Write the estimator and its card: `told` has every field of `Card` but the format and the digest."""
    folder.mkdir(parents=True, exist_ok=True)
    skops.io.dump(estimator, folder / WEIGHTS)
    card = {"format": FORMAT, "weights_sha256": _digest((folder / WEIGHTS).read_bytes()), **told}
    (folder / CARD).write_text(json.dumps({**card, _SEAL: _seal(card)}, indent=1) + "\n", encoding="utf-8")


def read_model(folder: Path) -> tuple[LogisticRegression, Card]:
    """Return the estimator and the card, every weight finite, one a class, piece and step of it.

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
    estimator = _checked_estimator(folder / WEIGHTS, raw)
    _check_weights(folder / WEIGHTS, estimator, len(card.pieces) * (len(card.edges) + 1))
    return estimator, card


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


def _checked_estimator(path: Path, raw: bytes) -> LogisticRegression:
    refused = f"{path}: not a model this version can load; {AGAIN}"
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            unpacked = sum(member.file_size for member in archive.infolist())
        if unpacked > _MOST_BYTES:
            raise InputError(f"{path}: unpacks to {unpacked} bytes, more than any model; {AGAIN}")
        estimator = skops.io.loads(raw, trusted=list(TRUSTED))
    except InputError:
        raise
    except Exception as error:  # what a broken or hostile file makes of the library is not foreseeable
        raise InputError(refused) from error
    if not isinstance(estimator, LogisticRegression):
        raise InputError(f"{path}: holds a {type(estimator).__name__}, not the additive model; {AGAIN}")
    return estimator


def _check_weights(path: Path, estimator: LogisticRegression, columns: int) -> None:
    held = vars(estimator)
    arrays = [held.get(name) for name in ("coef_", "intercept_", "classes_")]
    if not all(isinstance(array, np.ndarray) for array in arrays):
        raise InputError(f"{path}: has no fitted weights; {AGAIN}")
    weights, start, kinds = (np.asarray(array) for array in arrays)
    is_whole = (
        kinds.dtype.kind in "UO"
        and all(isinstance(kind, str) for kind in kinds.tolist())
        and weights.shape == (kinds.size, columns)
        and start.shape == (kinds.size,)
        and all(array.dtype.kind == "f" and np.isfinite(array).all() for array in (weights, start))
    )
    if not is_whole:
        raise InputError(f"{path}: its weights are not one finite number a class and step; {AGAIN}")


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _seal(card: Mapping[str, Any]) -> str:
    return _digest(json.dumps(card, sort_keys=True, separators=(",", ":")).encode())


def _line(error: BaseException) -> str:
    return " ".join(str(error).split())[:200]

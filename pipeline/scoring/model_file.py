"""A model on disk: plain arrays and a card that seals them.

    weights.npz   every head's trees and the shipped normal, as arrays of numbers
    card.json     what they mean and how they were made, the arrays' digest, and the card's own

Nothing in the folder is ever run: no object is named, found or built. What was damaged, edited, mixed up or written by
another version is refused with how to get a model that fits. The seals keep out accidents and careless edits; who can
write the folder can also seal it again, and gets wrong likelihoods, but no code run and no night that doesn't end.
"""

from __future__ import annotations

import hashlib
import io
import json
import zipfile
from collections.abc import Mapping
from dataclasses import fields
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from pipeline.core.errors import InputError
from pipeline.probes import NAMES
from pipeline.scoring.design import columns
from pipeline.scoring.model import LEG_CLASSES, Model
from pipeline.scoring.normal import Spread
from pipeline.scoring.trees import Trees

WEIGHTS, CARD, SHIPPED = "weights.npz", "card.json", "shipped_model"
FORMAT = 2  # of the two files; another number is another version's
AGAIN = "train it again with `nightclamp train`"
HEADS = ("any_fault", "which", "leg", "innocent")
NUMBERS = ("centre", "spread", "homes", "centre_sd", "spread_sd", "tail", "outer")
_SEAL = "card_sha256"
_MOST_BYTES = 64 * 2**20  # unpacked; the shipped arrays take 2 MB


class Card(BaseModel):
    """The card's content; see `model.Model` for what each means."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)

    format: int
    model_id: str
    weights_sha256: str
    faults: list[str] = Field(min_length=1)
    innocents: list[str] = Field(min_length=1)
    columns: list[str]
    leg_columns: list[str]
    normal_of: list[list[str]]
    slope: float
    intercept: float
    probe_slope: dict[str, float] = {}
    recipe: dict[str, Any]
    base_rate: float | None = Field(default=None, gt=0, lt=1)
    fault_mix: dict[str, float] = {}
    against_shipped: dict[str, Any] = {}


def save_model(model: Model, folder: Path) -> None:
    """Write the arrays and their card."""
    arrays = {
        f"{head}.{part.name}": getattr(getattr(model, head), part.name)
        for head in HEADS
        for part in fields(Trees)
    }
    at = sorted(model.shipped_normal)
    numbers = [[float(getattr(model.shipped_normal[key], name)) for name in NUMBERS] for key in at]
    arrays["normal"] = np.array(numbers, dtype=np.float64).reshape(-1, len(NUMBERS))
    folder.mkdir(parents=True, exist_ok=True)
    raw = io.BytesIO()
    with zipfile.ZipFile(raw, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, array in arrays.items():  # with a fixed date, so that the same model is the same bytes
            held = io.BytesIO()
            np.save(held, np.ascontiguousarray(array), allow_pickle=False)
            archive.writestr(
                zipfile.ZipInfo(f"{name}.npy", (2020, 1, 1, 0, 0, 0)), held.getvalue(), zipfile.ZIP_DEFLATED
            )
    (folder / WEIGHTS).write_bytes(raw.getvalue())
    card: dict[str, Any] = {
        "format": FORMAT, "model_id": model.model_id, "weights_sha256": _digest(raw.getvalue()),
        "faults": list(model.faults), "innocents": list(model.innocents), "columns": list(model.columns),
        "leg_columns": list(model.leg_columns), "normal_of": [list(key) for key in at], "slope": model.slope,
        "intercept": model.intercept, "probe_slope": dict(model.probe_slope), "recipe": dict(model.recipe),
        "base_rate": model.base_rate, "fault_mix": dict(model.fault_mix),
        "against_shipped": dict(model.against_shipped),
    }  # fmt: skip
    (folder / CARD).write_text(json.dumps({**card, _SEAL: _seal(card)}, indent=1) + "\n", encoding="utf-8")


def load_model(folder: Path | None = None) -> Model:
    """Load a model from `folder`, or the shipped one.

    Raises
    ------
    InputError
        A file is missing, was changed since it was written, belongs to another version or other probes, or holds what a
        model has no need of; one line with what to do.
    """
    root = folder or Path(str(files("pipeline.scoring").joinpath(SHIPPED)))
    try:
        told = json.loads((root / CARD).read_text(encoding="utf-8"))
        raw = (root / WEIGHTS).read_bytes()
    except (OSError, ValueError, RecursionError) as error:
        raise InputError(f"{root}: no readable model ({_line(error)}); {AGAIN}") from error
    card = _checked_card(root / CARD, told)
    if _digest(raw) != card.weights_sha256:
        raise InputError(f"{root / WEIGHTS}: not the file that {CARD} was written with; {AGAIN}")
    model = _model_of(card, _arrays(root / WEIGHTS, raw), root / WEIGHTS)
    if model.model_id != card.model_id:
        raise InputError(f"{root}: the trees are not those of model {card.model_id}; {AGAIN}")
    wanted = columns()
    if (model.columns, model.leg_columns) != wanted:
        odd = sorted(set(wanted[0]) ^ set(model.columns)) or ["their order"]
        raise InputError(
            f"{root}: trained on other probes than this version's ({', '.join(odd[:3])}); {AGAIN}"
        )
    return model


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


def _arrays(path: Path, raw: bytes) -> dict[str, NDArray[Any]]:
    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            unpacked = sum(member.file_size for member in archive.infolist())
            if unpacked > _MOST_BYTES:
                raise InputError(f"{path}: unpacks to {unpacked} bytes, more than any model; {AGAIN}")
            return {
                name.removesuffix(".npy"): np.load(io.BytesIO(archive.read(name)), allow_pickle=False)
                for name in archive.namelist()
            }
    except InputError:
        raise
    except Exception as error:  # what a broken or hostile file makes of the libraries is not foreseeable
        raise InputError(f"{path}: not a model this version can load; {AGAIN}") from error


def _model_of(card: Card, arrays: Mapping[str, NDArray[Any]], path: Path) -> Model:
    classes = {
        "any_fault": 1,
        "which": len(card.faults),
        "leg": len(LEG_CLASSES),
        "innocent": len(card.innocents),
    }
    width = dict.fromkeys(HEADS, len(card.columns)) | {"leg": len(card.leg_columns) + len(card.faults)}
    try:
        heads = {name: _checked_trees(name, arrays, classes[name], width[name]) for name in HEADS}
        normal = arrays["normal"]
        if normal.shape != (len(card.normal_of), len(NUMBERS)) or not np.isfinite(normal).all():
            raise ValueError("normal")
        spreads = {
            (key, stratum): Spread(row[0], row[1], int(row[2]), row[3], row[4], row[5], row[6])
            for (key, stratum), row in zip(card.normal_of, normal.tolist(), strict=True)
        }
    except (KeyError, ValueError, TypeError) as error:
        raise InputError(f"{path}: its arrays are not those of a model ({_line(error)}); {AGAIN}") from error
    return Model(
        **heads, faults=tuple(card.faults), innocents=tuple(card.innocents), columns=tuple(card.columns),
        leg_columns=tuple(card.leg_columns), shipped_normal=spreads, slope=card.slope, intercept=card.intercept,
        probe_slope=card.probe_slope, recipe=card.recipe, base_rate=card.base_rate, fault_mix=card.fault_mix,
        against_shipped=card.against_shipped,
    )  # fmt: skip


def _checked_trees(head: str, arrays: Mapping[str, NDArray[Any]], classes: int, columns: int) -> Trees:
    """Return the head's trees: every way down ends, every number is finite and inside its table."""
    trees = Trees(**{part.name: arrays[f"{head}.{part.name}"] for part in fields(Trees)})
    nodes = trees.feature.size
    here = np.arange(nodes)
    inner = trees.feature >= 0
    per_node = (trees.threshold, trees.left, trees.right, trees.missing_left, trees.value, trees.probe)
    kinds = {
        "feature": "i",
        "threshold": "f",
        "left": "i",
        "right": "i",
        "missing_left": "b",
        "value": "f",
        "probe": "i",
    }
    kinds |= {"root": "i", "of_class": "i", "start": "f"}
    is_right = (
        all(getattr(trees, name).dtype.kind == kind for name, kind in kinds.items())
        and all(part.shape == (nodes,) for part in per_node)
        and trees.root.shape == trees.of_class.shape
        and trees.start.shape == (classes,)
        and bool((trees.feature < columns).all())
        and all(bool(((side > here) & (side < nodes))[inner].all()) for side in (trees.left, trees.right))
        and bool(((trees.probe >= 0) & (trees.probe < len(NAMES)))[~inner].all())
        and bool(((trees.root >= 0) & (trees.root < nodes)).all())
        and bool(((trees.of_class >= 0) & (trees.of_class < classes)).all())
        and bool(np.isfinite(trees.value).all() and np.isfinite(trees.start).all())
        and not bool(np.isnan(trees.threshold).any())
    )
    if not is_right:
        raise ValueError(f"the trees of {head}")
    return trees


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _seal(card: Mapping[str, Any]) -> str:
    return _digest(json.dumps(card, sort_keys=True, separators=(",", ":")).encode())


def _line(error: object) -> str:
    return " ".join(str(error).split())[:200]

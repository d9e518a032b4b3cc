"""A model on disk: plain arrays and a card that seals them.

    weights.npz   every head's trees and the shipped normal, as arrays of numbers
    card.json     what they mean and how they were made, the arrays' digest, and the card's own
    three_lines/  the same two files for homes of three lines, where the model has one for them

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
from dataclasses import fields, replace
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from pipeline.core.atomic_files import write_bytes, write_text
from pipeline.core.errors import InputError
from pipeline.probes import names_of
from pipeline.probes.line_rows import TWO
from pipeline.scoring.design import columns
from pipeline.scoring.model import LEG_CLASSES, Model
from pipeline.scoring.normal import Spread
from pipeline.scoring.trees import Trees

WEIGHTS, CARD, SHIPPED = "weights.npz", "card.json", "shipped_model"
THREE_LINES = "three_lines"
FORMAT = 2  # of the two files; another number is another version's
AGAIN = "train it again with `nightclamp train`"
TREE_KINDS = "ifiibfiiif"  # integers, floats and booleans of the fields of `Trees`, in their order
HEADS = ("any_fault", "which", "leg", "innocent")
NUMBERS = ("centre", "spread", "homes", "centre_sd", "spread_sd", "tail", "outer")
_LISTS = ("faults", "innocents", "columns", "leg_columns")
_TABLES = ("probe_slope", "recipe", "fault_mix", "against_shipped")
_SCALARS = ("slope", "intercept", "base_rate", "line_count")
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
    line_count: Literal[2, 3] = 2


def save_model(model: Model, folder: Path) -> None:
    """Write the arrays and their card, and those of its model of three lines beside them."""
    arrays = {
        f"{head}.{part.name}": getattr(getattr(model, head), part.name)
        for head in HEADS
        for part in fields(Trees)
    }
    normal = sorted(model.shipped_normal.items())
    numbers = [[float(getattr(spread, name)) for name in NUMBERS] for _, spread in normal]
    arrays["normal"] = np.array(numbers, dtype=np.float64).reshape(-1, len(NUMBERS))
    raw = io.BytesIO()
    with zipfile.ZipFile(raw, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, array in arrays.items():  # with a fixed date, so that the same model is the same bytes
            content = io.BytesIO()
            np.save(content, np.ascontiguousarray(array), allow_pickle=False)
            member = zipfile.ZipInfo(f"{name}.npy", (2020, 1, 1, 0, 0, 0))
            archive.writestr(member, content.getvalue(), zipfile.ZIP_DEFLATED)
    write_bytes(folder / WEIGHTS, raw.getvalue())
    card: dict[str, Any] = {
        "format": FORMAT,
        "model_id": model.model_id,
        "weights_sha256": _digest(raw.getvalue()),
        "normal_of": [list(key) for key, _ in normal],
        **{name: list(getattr(model, name)) for name in _LISTS},
        **{name: dict(getattr(model, name)) for name in _TABLES},
        **{name: getattr(model, name) for name in _SCALARS},
    }
    card = {name: card[name] for name in Card.model_fields}
    if model.line_count == TWO:  # what a card of two lines has no need to say
        del card["line_count"]
    write_text(folder / CARD, json.dumps({**card, _SEAL: _seal(card)}, indent=1) + "\n")
    if model.three_lines is not None:
        (folder / THREE_LINES).mkdir(exist_ok=True)
        save_model(model.three_lines, folder / THREE_LINES)


def load_model(folder: Path | None = None) -> Model:
    """Load a model from `folder`, with its model of three lines where it has one; or the shipped one of two lines.

    Raises
    ------
    InputError
        A file is missing, was changed since it was written, belongs to another version or other probes, or holds what a
        model has no need of; one line with what to do.
    """
    model = _load(folder or _shipped_folder())
    if model.line_count != TWO:
        raise InputError(f"{folder}: a model of homes of three lines only; {AGAIN}")
    if folder is None or not (folder / THREE_LINES).is_dir():
        return model
    return replace(model, three_lines=_load(folder / THREE_LINES))


@cache
def shipped_of_three_lines() -> Model:
    """Return the shipped model of homes of three lines; read when the first such home is met."""
    return _load(_shipped_folder() / THREE_LINES)


def model_for(model: Model, line_count: int) -> Model:
    """Return the model for homes of so many lines: this one, the one of its folder, or the shipped one."""
    if line_count == model.line_count:
        return model
    return model.three_lines or shipped_of_three_lines()


def _shipped_folder() -> Path:
    return Path(str(files("pipeline.scoring").joinpath(SHIPPED)))


def _load(root: Path) -> Model:
    try:
        content = json.loads((root / CARD).read_text(encoding="utf-8"))
        raw = (root / WEIGHTS).read_bytes()
    except (OSError, ValueError, RecursionError) as error:
        raise InputError(f"{root}: no readable model ({_line(error)}); {AGAIN}") from error
    card = _checked_card(root / CARD, content)
    if _digest(raw) != card.weights_sha256:
        raise InputError(f"{root / WEIGHTS}: not the file that {CARD} was written with; {AGAIN}")
    model = _model_of(card, _arrays(root / WEIGHTS, raw), root / WEIGHTS)
    if model.model_id != card.model_id:
        raise InputError(f"{root}: the trees are not those of model {card.model_id}; {AGAIN}")
    expected = columns(model.line_count)
    if (model.columns, model.leg_columns) != expected:
        odd = sorted(set(expected[0]) ^ set(model.columns)) or ["their order"]
        raise InputError(
            f"{root}: trained on other probes than this version's ({', '.join(odd[:3])}); {AGAIN}"
        )
    return model


def _checked_card(path: Path, content: Any) -> Card:
    if not isinstance(content, dict):
        raise InputError(f"{path}: not the card of a model; {AGAIN}")
    if content.get("format") != FORMAT:
        raise InputError(f"{path}: written by another version of nightclamp; {AGAIN}")
    seal = content.pop(_SEAL, None)
    if seal != _seal(content):
        raise InputError(f"{path}: changed since it was written; {AGAIN}")
    try:
        return Card(**content)
    except (ValidationError, TypeError) as error:
        line = _line(error)
        raise InputError(f"{path}: not a card that this version can read ({line}); {AGAIN}") from error


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
    classes = (1, len(card.faults), len(LEG_CLASSES[card.line_count]), len(card.innocents))
    try:
        heads: dict[str, Any] = {
            head: _checked_trees(
                head,
                arrays,
                classes=count,
                columns=len(card.leg_columns) + len(card.faults) if head == "leg" else len(card.columns),
                probes=len(names_of(card.line_count)),
            )
            for head, count in zip(HEADS, classes, strict=True)
        }
        normal = arrays["normal"]
        if normal.shape != (len(card.normal_of), len(NUMBERS)) or not np.isfinite(normal).all():
            raise ValueError("normal")
        spreads = {
            (key, stratum): Spread(centre, spread, int(homes), *others)
            for (key, stratum), (centre, spread, homes, *others) in zip(
                card.normal_of, normal.tolist(), strict=True
            )
        }
    except (KeyError, ValueError, TypeError) as error:
        raise InputError(f"{path}: its arrays are not those of a model ({_line(error)}); {AGAIN}") from error
    lists: dict[str, Any] = {name: tuple(getattr(card, name)) for name in _LISTS}
    values: dict[str, Any] = {name: getattr(card, name) for name in (*_TABLES, *_SCALARS)}
    return Model(**heads, **lists, **values, shipped_normal=spreads)


def _checked_trees(
    head: str, arrays: Mapping[str, NDArray[Any]], *, classes: int, columns: int, probes: int
) -> Trees:
    """Return the head's trees: every way down ends, every number is finite and inside its table."""
    trees = Trees(**{part.name: arrays[f"{head}.{part.name}"] for part in fields(Trees)})
    nodes = trees.feature.size
    node = np.arange(nodes)
    inner = trees.feature >= 0
    per_node = (trees.threshold, trees.left, trees.right, trees.missing_left, trees.value, trees.probe)
    kinds = "".join(getattr(trees, part.name).dtype.kind for part in fields(Trees))
    is_right = (
        kinds == TREE_KINDS
        and all(part.shape == (nodes,) for part in per_node)
        and trees.root.shape == trees.of_class.shape
        and trees.start.shape == (classes,)
        and bool((trees.feature < columns).all())
        and all(bool(((side > node) & (side < nodes))[inner].all()) for side in (trees.left, trees.right))
        and bool(((trees.probe >= 0) & (trees.probe < probes))[~inner].all())
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

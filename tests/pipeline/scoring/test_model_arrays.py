"""Arrays that are no model's are refused: no number missing or outside its table, and every way down a tree ends."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from model_folders import refusal, sealed_again
from numpy.typing import NDArray

from pipeline.scoring.model_file import HEADS, WEIGHTS

Arrays = dict[str, NDArray[Any]]


def with_arrays(folder: Path, change: Callable[[Arrays], None]) -> None:
    """Change the arrays in the file and seal it again."""
    with zipfile.ZipFile(folder / WEIGHTS) as archive:
        arrays = {
            name.removesuffix(".npy"): np.load(io.BytesIO(archive.read(name))) for name in archive.namelist()
        }
    change(arrays)
    np.savez_compressed(folder / WEIGHTS, **arrays)
    sealed_again(folder)


def replaced(name: str, value: object) -> Callable[[Arrays], None]:
    return lambda arrays: arrays.__setitem__(name, np.asarray(value))


def at_first_inner(name: str, value: float) -> Callable[[Arrays], None]:
    """Set the number of the first tree's first node, which asks something."""

    def change(arrays: Arrays) -> None:
        head = name.split(".")[0]
        (inner, *_) = np.flatnonzero(arrays[f"{head}.feature"] >= 0)
        arrays[name][inner] = value

    return change


def at_first_leaf(name: str, value: float) -> Callable[[Arrays], None]:
    def change(arrays: Arrays) -> None:
        head = name.split(".")[0]
        (leaf, *_) = np.flatnonzero(arrays[f"{head}.feature"] < 0)
        arrays[name][leaf] = value

    return change


def at(name: str, place: int, value: float) -> Callable[[Arrays], None]:
    return lambda arrays: arrays[name].__setitem__(place, value)


SPOILT = {
    "a column that isn't there": at_first_inner("any_fault.feature", 100_000),
    "a child that is its own parent": at_first_inner("any_fault.left", 0),
    "a child before its parent": at_first_inner("which.right", -1),
    "a child beyond the last": at_first_inner("leg.right", 10_000_000),
    "a threshold that is no number": at_first_inner("which.threshold", np.nan),
    "a leaf that is no number": at_first_leaf("any_fault.value", np.nan),
    "a leaf without end": at_first_leaf("innocent.value", np.inf),
    "a leaf of no probe": at_first_leaf("any_fault.probe", -1),
    "a leaf of a probe too many": at_first_leaf("any_fault.probe", 1000),
    "a tree that begins nowhere": at("which.root", 0, 10_000_000),
    "a tree that begins before the first": at("which.root", 0, -1),
    "a tree of no class": at("leg.of_class", 0, 3),
    "a tree of a class before the first": at("leg.of_class", 0, -1),
    "a start that is no number": at("any_fault.start", 0, np.nan),
    "a start too many": replaced("any_fault.start", np.zeros(2)),
    "too few values": replaced("any_fault.value", np.zeros(3)),
    "values in a table": replaced("which.value", np.zeros((2, 2))),
    "words for numbers": replaced("which.value", np.array(["a", "b"])),
    "numbers for yes and no": lambda arrays: arrays.__setitem__(
        "leg.missing_left", arrays["leg.missing_left"].astype(np.int8)
    ),
    "nodes with fractions": lambda arrays: arrays.__setitem__(
        "any_fault.left", arrays["any_fault.left"].astype(np.float64)
    ),
    "trees without nodes": replaced("any_fault.feature", np.empty(0, dtype=np.int32)),
    "an array that is not there": lambda arrays: arrays.pop("innocent.root"),
    "a normal of another shape": replaced("normal", np.zeros((2, 2))),
    "a normal that is no number": lambda arrays: arrays["normal"].__setitem__((0, 1), np.nan),
}


@pytest.mark.parametrize("change", SPOILT.values(), ids=list(SPOILT))
def test_arrays_that_are_no_models_are_refused_even_with_a_right_seal(
    folder: Path, change: Callable[[Arrays], None]
) -> None:
    """Nothing outside its table is read, no number is missing, and every way down a tree ends."""
    with_arrays(folder, change)
    assert "its arrays are not those of a model" in refusal(folder)


@pytest.mark.parametrize("head", HEADS)
def test_no_head_may_go_in_a_circle(folder: Path, head: str) -> None:
    """Both children of the last node that asks lead back to the first: a night that would never end."""

    def circle(arrays: Arrays) -> None:
        inner = np.flatnonzero(arrays[f"{head}.feature"] >= 0)
        for side in ("left", "right"):
            arrays[f"{head}.{side}"][inner[-1]] = inner[0]

    with_arrays(folder, circle)
    assert f"the trees of {head}" in refusal(folder)


def test_other_numbers_are_another_model(folder: Path) -> None:
    """Finite, inside every table, and not what the card says."""
    with_arrays(folder, at_first_leaf("any_fault.value", 5.0))
    assert "the trees are not those of model" in refusal(folder)

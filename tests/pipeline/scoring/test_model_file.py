"""A model folder is read without running anything in it; whatever doesn't fit is refused with how to train again."""

from __future__ import annotations

import io
import json
import pickle
import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from model_folders import refusal, sealed_again

from pipeline.scoring import model_file
from pipeline.scoring.model import Model
from pipeline.scoring.model_file import CARD, FORMAT, WEIGHTS, load_model, save_model


class Bomb:
    """Unpickled, it leaves a file."""

    def __init__(self, at: Path) -> None:
        self.at = at

    def __reduce__(self) -> tuple[Callable[..., object], tuple[str, str]]:
        return open, (str(self.at), "w")


def test_a_model_comes_back_as_it_was_and_the_same_model_is_the_same_bytes(
    model: Model, tmp_path: Path
) -> None:
    told = replace(
        model, base_rate=0.08, fault_mix={"dead": 0.7, "reversed": 0.3}, probe_slope={"sun": 1.3},
        recipe={"seed": 7}, against_shipped={"is_better": True},
    )  # fmt: skip
    for place in ("one", "other"):
        save_model(told, tmp_path / place)

    back = load_model(tmp_path / "one")

    assert back.model_id == told.model_id != model.model_id
    assert (back.base_rate, back.fault_mix, back.probe_slope) == (
        0.08,
        {"dead": 0.7, "reversed": 0.3},
        {"sun": 1.3},
    )
    assert (back.recipe, back.against_shipped) == ({"seed": 7}, {"is_better": True})
    assert back.shipped_normal == told.shipped_normal
    for name in (WEIGHTS, CARD):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "other" / name).read_bytes()


@pytest.mark.parametrize("name", [WEIGHTS, CARD])
def test_a_missing_file_is_refused(folder: Path, name: str) -> None:
    (folder / name).unlink()
    assert "no readable model" in refusal(folder)


def test_changed_weights_are_refused(folder: Path) -> None:
    raw = bytearray((folder / WEIGHTS).read_bytes())
    raw[len(raw) // 2] ^= 1
    (folder / WEIGHTS).write_bytes(raw)

    assert "not the file that card.json was written with" in refusal(folder)


def test_an_edited_card_is_refused(folder: Path) -> None:
    card = json.loads((folder / CARD).read_text())
    card["slope"] = 1.5
    (folder / CARD).write_text(json.dumps(card))

    assert "card.json: changed since it was written" in refusal(folder)


@pytest.mark.parametrize("text", ["{ not json", "[1, 2]", "null", '"card"', "[" * 100_000, "{}", "9" * 5000])
def test_a_card_that_is_none_is_refused(folder: Path, text: str) -> None:
    (folder / CARD).write_text(text)
    refusal(folder)


@pytest.mark.parametrize("another", [0, FORMAT - 1, FORMAT + 1, str(FORMAT), None])
def test_a_model_of_another_version_is_refused(folder: Path, another: object) -> None:
    sealed_again(folder, format=another)
    assert "written by another version of nightclamp" in refusal(folder)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("faults", 5),
        ("faults", None),
        ("faults", []),
        ("faults", [1, 2]),
        ("columns", None),
        ("normal_of", ["sun.gain"]),
        ("slope", "much"),
        ("intercept", float("nan")),
        ("probe_slope", {"sun": "much"}),
        ("fault_mix", {"dead": float("inf")}),
        ("recipe", []),
        ("base_rate", 1.5),
        ("surplus", "field"),
    ],
)
def test_a_card_with_other_content_is_refused_even_with_a_right_seal(
    folder: Path, field: str, value: Any
) -> None:
    sealed_again(folder, **{field: value})
    assert "not a card that this version can read" in refusal(folder)


def test_a_card_of_another_model_is_refused(folder: Path) -> None:
    sealed_again(folder, slope=0.123)
    assert "the trees are not those of model" in refusal(folder)


def test_a_model_of_other_probes_is_refused(model: Model, tmp_path: Path) -> None:
    columns = ("sun.moonshine", *model.columns[1:])
    save_model(replace(model, columns=columns), tmp_path / "other")
    assert "trained on other probes than this version's (" in refusal(tmp_path / "other")
    assert "sun.moonshine" in refusal(tmp_path / "other")

    swapped = (model.columns[1], model.columns[0], *model.columns[2:])
    save_model(replace(model, columns=swapped), tmp_path / "order")
    assert "their order" in refusal(tmp_path / "order")


def test_a_pickle_is_not_opened_alone_or_in_the_archive(folder: Path) -> None:
    left = folder / "left behind"
    (folder / WEIGHTS).write_bytes(pickle.dumps(Bomb(left)))
    sealed_again(folder)
    assert "not a model this version can load" in refusal(folder)

    with zipfile.ZipFile(folder / WEIGHTS, "w") as archive:
        archive.writestr("any_fault.value.npy", pickle.dumps(Bomb(left)))
    sealed_again(folder)
    assert "not a model this version can load" in refusal(folder)
    assert not left.exists()


def test_an_array_that_hides_a_pickle_is_not_opened(folder: Path) -> None:
    """An array of objects would be unpickled; here it stands in the place of every array."""
    left = folder / "left behind"
    hidden = io.BytesIO()
    np.save(hidden, np.array([Bomb(left)], dtype=object), allow_pickle=True)
    with zipfile.ZipFile(folder / WEIGHTS) as given:
        names = given.namelist()
    with zipfile.ZipFile(folder / WEIGHTS, "w") as changed:
        for name in names:
            changed.writestr(name, hidden.getvalue())
    sealed_again(folder)

    assert "not a model this version can load" in refusal(folder)
    assert not left.exists()


def test_a_file_that_unpacks_to_an_absurd_size_is_refused(folder: Path) -> None:
    with zipfile.ZipFile(folder / WEIGHTS, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("zeros.npy", bytes(model_file._MOST_BYTES + 1))
    sealed_again(folder)
    assert "unpacks to" in refusal(folder)


def test_an_array_whose_header_promises_more_than_there_is_is_refused(folder: Path) -> None:
    header = io.BytesIO()
    np.lib.format.write_array_header_1_0(header, {"descr": "<f8", "fortran_order": False, "shape": (10**12,)})
    with zipfile.ZipFile(folder / WEIGHTS) as given:
        whole = {name: given.read(name) for name in given.namelist()}
    with zipfile.ZipFile(folder / WEIGHTS, "w") as changed:
        for name, raw in whole.items():
            changed.writestr(name, header.getvalue() if name == "any_fault.value.npy" else raw)
    sealed_again(folder)
    assert "not a model this version can load" in refusal(folder)

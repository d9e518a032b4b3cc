"""A model folder is read without running anything in it; whatever doesn't fit is refused with how to train again."""

from __future__ import annotations

import io
import json
import pickle
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import skops.io
from sklearn.linear_model import LinearRegression, LogisticRegression
from sklearn.pipeline import Pipeline
from sklearn.preprocessing import FunctionTransformer

from pipeline import classifier, model_file
from pipeline.classifier import Model
from pipeline.errors import InputError
from pipeline.model_file import CARD, WEIGHTS


@pytest.fixture
def folder(model: Model, tmp_path: Path) -> Path:
    classifier.save(model, tmp_path)
    return tmp_path


def refusal(folder: Path) -> str:
    """The one line with which loading is refused."""
    with pytest.raises(InputError) as told:
        classifier.load(folder)
    assert "\n" not in str(told.value)
    assert "train it again with `nightclamp train`" in str(told.value)
    return str(told.value)


def sealed_again(folder: Path, **changed: Any) -> None:
    """Seal the folder anew, as whoever can write it could; None takes a field away."""
    card = json.loads((folder / CARD).read_text()) | {
        "weights_sha256": model_file._digest((folder / WEIGHTS).read_bytes()),
        **changed,
    }
    card = {name: value for name, value in card.items() if name != "card_sha256" and value is not None}
    (folder / CARD).write_text(json.dumps({**card, "card_sha256": model_file._seal(card)}))


def with_weights(folder: Path, estimator: object) -> None:
    skops.io.dump(estimator, folder / WEIGHTS)
    sealed_again(folder)


def whole(folder: Path) -> LogisticRegression:
    """The estimator in the file, as scikit-learn has it."""
    return skops.io.load(folder / WEIGHTS, trusted=["sklearn.linear_model._logistic.LogisticRegression"])


class Bomb:
    """Unpickled, it leaves a file."""

    def __init__(self, at: Path) -> None:
        self.at = at

    def __reduce__(self) -> tuple[Callable[..., object], tuple[str, str]]:
        return open, (str(self.at), "w")


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
    card["train_share"] = dict.fromkeys(card["train_share"], 0.5)
    (folder / CARD).write_text(json.dumps(card))

    assert "card.json: changed since it was written" in refusal(folder)


@pytest.mark.parametrize("text", ["{ not json", "[1, 2]", "null", '"card"', "[" * 100_000, "{}", "9" * 5000])
def test_a_card_that_is_none_is_refused(folder: Path, text: str) -> None:
    (folder / CARD).write_text(text)
    refusal(folder)


def test_a_model_of_another_version_is_refused(folder: Path) -> None:
    for another in (0, 2, "1", None):
        sealed_again(folder, format=another)
        assert "written by another version of nightclamp" in refusal(folder)


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("pieces", 5),
        ("pieces", None),
        ("pieces", [1, 2]),
        ("stretch", {"dead": "much"}),
        ("offset", {"dead": float("nan")}),
        ("train_share", []),
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
    sealed_again(folder, stretch={"dead": 3.0})
    assert "the weights are not those of model" in refusal(folder)


def test_a_pickle_is_not_opened_alone_or_in_the_archive(folder: Path) -> None:
    left = folder / "left behind"
    (folder / WEIGHTS).write_bytes(pickle.dumps(Bomb(left)))
    sealed_again(folder)
    assert "not a model this version can load" in refusal(folder)

    joblib = io.BytesIO()
    with zipfile.ZipFile(joblib, "w") as archive:
        archive.writestr(
            "schema.json", json.dumps({"__class__": "Bomb", "__module__": "x", "__loader__": "ObjectNode"})
        )
        archive.writestr("data.pkl", pickle.dumps(Bomb(left)))
    (folder / WEIGHTS).write_bytes(joblib.getvalue())
    sealed_again(folder)
    assert "holds a Bomb, not the additive model" in refusal(folder)
    assert not left.exists()


def test_an_array_that_hides_a_pickle_is_not_opened(folder: Path, model: Model) -> None:
    """An array of objects would be unpickled; here it stands in the place of the weights."""
    left = folder / "left behind"
    hidden = io.BytesIO()
    np.save(hidden, np.array([Bomb(left)], dtype=object), allow_pickle=True)
    whole = io.BytesIO()
    with zipfile.ZipFile(folder / WEIGHTS) as given, zipfile.ZipFile(whole, "w") as changed:
        for member in given.namelist():
            changed.writestr(member, hidden.getvalue() if member.endswith(".npy") else given.read(member))
    (folder / WEIGHTS).write_bytes(whole.getvalue())
    sealed_again(folder)

    refusal(folder)
    assert not left.exists()


@pytest.mark.parametrize(
    "thing",
    [
        LinearRegression(),
        LogisticRegression(),
        {"coef_": [1.0]},
        Pipeline([("run", FunctionTransformer(print))]),
        FunctionTransformer(eval),
    ],
    ids=["another model", "not fitted", "no model", "a chain with a function", "a function"],
)
def test_another_thing_is_refused_even_with_a_right_seal(folder: Path, thing: object) -> None:
    with_weights(folder, thing)
    assert WEIGHTS in refusal(folder)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("coef_", np.zeros((2, 2))),
        ("coef_", [[0.0]]),
        ("coef_", "weights"),
        ("intercept_", np.zeros(1)),
        ("classes_", np.array([1, 2, 3])),
        ("classes_", None),
    ],
)
def test_weights_of_another_shape_are_refused(folder: Path, name: str, value: object) -> None:
    estimator = whole(folder)
    setattr(estimator, name, value)
    with_weights(folder, estimator)
    assert WEIGHTS in refusal(folder)


def test_weights_that_are_no_numbers_are_refused(folder: Path) -> None:
    estimator = whole(folder)
    estimator.coef_[0, 0] = np.nan
    with_weights(folder, estimator)
    assert "not one finite number" in refusal(folder)


def test_a_file_that_unpacks_to_an_absurd_size_is_refused(folder: Path) -> None:
    with zipfile.ZipFile(folder / WEIGHTS, "a", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("zeros.npy", bytes(model_file._MOST_BYTES + 1))
    sealed_again(folder)
    assert "unpacks to" in refusal(folder)

"""Which model a night takes: the fleet's own only if it beat this version's shipped one."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from pipeline import classifier
from pipeline.classifier import Model
from pipeline.errors import InputError
from pipeline.model_choice import choose_model, own_model_folder


@pytest.fixture
def shipped(model: Model, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Model:
    """The quick model in the shipped one's place."""
    classifier.save(model, tmp_path / "shipped")
    monkeypatch.setattr(classifier, "SHIPPED", str(tmp_path / "shipped"))
    return model


def own(shipped: Model, out: Path, **result: Any) -> Model:
    told = {"shipped_id": shipped.model_id, "is_better": True, "why": "by far", "homes": 80, **result}
    made = replace(shipped, base_rate=0.11, fault_mix={"dead": 0.4}, against_shipped=told)
    classifier.save(made, own_model_folder(out))
    return made


def test_without_an_own_model_it_is_the_shipped_one(shipped: Model, tmp_path: Path) -> None:
    found, note = choose_model(None, tmp_path, shipped.pieces)

    assert found.model_id == shipped.model_id
    assert note == "shipped"


def test_an_own_model_that_won_is_taken_with_its_base_rate(shipped: Model, tmp_path: Path) -> None:
    made = own(shipped, tmp_path)
    found, note = choose_model(None, tmp_path, shipped.pieces)

    assert found.model_id == made.model_id != shipped.model_id
    assert (found.rate(0.05), shipped.rate(0.05)) == (0.11, 0.05)
    assert "80 held-out homes" in note


@pytest.mark.parametrize(
    ("result", "says"),
    [
        ({"is_better": False, "why": "its average precision is lower"}, "average precision is lower"),
        ({"shipped_id": "another"}, "was not compared with it"),
    ],
    ids=["lost", "beat an older shipped model"],
)
def test_an_own_model_that_did_not_win_is_passed_over(
    result: dict[str, Any], says: str, shipped: Model, tmp_path: Path
) -> None:
    own(shipped, tmp_path, **result)
    found, note = choose_model(None, tmp_path, shipped.pieces)

    assert found.model_id == shipped.model_id
    assert says in note


def test_a_spoilt_own_model_does_not_stop_the_night(shipped: Model, tmp_path: Path) -> None:
    own(shipped, tmp_path)
    (own_model_folder(tmp_path) / "weights.skops").write_bytes(b"half of it")
    found, note = choose_model(None, tmp_path, shipped.pieces)

    assert found.model_id == shipped.model_id
    assert "OUT/model" in note
    assert str(tmp_path) not in note


def test_a_given_model_is_taken_whatever_its_card_says(shipped: Model, tmp_path: Path) -> None:
    made = own(shipped, tmp_path, is_better=False)
    found, note = choose_model(own_model_folder(tmp_path), tmp_path / "else", shipped.pieces)

    assert (found.model_id, note) == (made.model_id, "given with --model")
    with pytest.raises(InputError, match="no readable model"):
        choose_model(tmp_path / "nowhere", tmp_path, shipped.pieces)

"""Which model a night takes: the fleet's own only if it beat this version's shipped one."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from pipeline.core.errors import InputError
from pipeline.scoring.model import Model
from pipeline.scoring.model_choice import choose_model
from pipeline.scoring.model_file import WEIGHTS, save_model
from pipeline.storage.layout import own_model_folder


def own(model: Model, out: Path, **result: Any) -> Model:
    told = {"shipped_id": model.model_id, "is_better": True, "why": "by far", "homes": 80, **result}
    made = replace(model, base_rate=0.11, fault_mix={"dead": 0.4}, against_shipped=told)
    save_model(made, own_model_folder(out))
    return made


def test_without_an_own_model_it_is_the_shipped_one(model: Model, tmp_path: Path) -> None:
    found, note = choose_model(None, tmp_path)

    assert found.model_id == model.model_id
    assert note == "shipped"


def test_an_own_model_that_won_is_taken_with_its_base_rate(model: Model, tmp_path: Path) -> None:
    made = own(model, tmp_path)
    found, note = choose_model(None, tmp_path)

    assert found.model_id == made.model_id != model.model_id
    assert (found.rate(0.05), model.rate(0.05)) == (0.11, 0.05)
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
    result: dict[str, Any], says: str, model: Model, tmp_path: Path
) -> None:
    own(model, tmp_path, **result)
    found, note = choose_model(None, tmp_path)

    assert found.model_id == model.model_id
    assert says in note


@pytest.mark.parametrize(("day", "is_own"), [(31, True), (30, False)])
def test_a_night_before_days_that_the_own_model_has_learned_from_takes_the_shipped_one(
    day: int, is_own: bool, model: Model, tmp_path: Path
) -> None:
    won = {"shipped_id": model.model_id, "is_better": True, "homes": 80}
    made = replace(model, base_rate=0.11, recipe={"as_of": "2026-05-31"}, against_shipped=won)
    save_model(made, own_model_folder(tmp_path))

    found, note = choose_model(None, tmp_path, date(2026, 5, day))

    assert found.model_id == (made if is_own else model).model_id
    assert ("learned from days up to 2026-05-31" in note) != is_own
    assert choose_model(None, tmp_path)[0].model_id == made.model_id


def test_a_spoilt_own_model_does_not_stop_the_night(model: Model, tmp_path: Path) -> None:
    own(model, tmp_path)
    (own_model_folder(tmp_path) / WEIGHTS).write_bytes(b"half of it")
    found, note = choose_model(None, tmp_path)

    assert found.model_id == model.model_id
    assert "OUT/model" in note
    assert str(tmp_path) not in note


def test_a_given_model_is_taken_whatever_its_card_says(model: Model, tmp_path: Path) -> None:
    made = own(model, tmp_path, is_better=False)
    found, note = choose_model(own_model_folder(tmp_path), tmp_path / "else")

    assert (found.model_id, note) == (made.model_id, "given with --model")
    with pytest.raises(InputError, match="no readable model"):
        choose_model(tmp_path / "nowhere", tmp_path)

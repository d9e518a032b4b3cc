"""When a night trains the fleet's own model once it is published."""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path

import polars as pl
import pytest

from pipeline.core.settings import Settings, load_settings
from pipeline.learning import train_due
from pipeline.learning.train_due import is_due, last_trained_on, train_after_night
from pipeline.storage.layout import own_model_folder

AS_OF = date(2026, 6, 14)


def weekly() -> Settings:
    own = load_settings()
    return own.model_copy(update={"own_fleet": own.own_fleet.model_copy(update={"train_every_days": 7})})


def fleet_of(homes: int, likelihood: float = 0.001, nights: int = 28) -> pl.DataFrame:
    return pl.DataFrame({"likelihood": [likelihood] * homes, "nights": [nights] * homes})


def keep_card(out: Path, as_of: date) -> None:
    own_model_folder(out).mkdir(parents=True)
    (own_model_folder(out) / "card.json").write_text(json.dumps({"recipe": {"as_of": str(as_of)}}))


def test_by_itself_a_night_trains_nothing(tmp_path: Path) -> None:
    assert not is_due(tmp_path, fleet_of(500), AS_OF, settings=load_settings())


def test_a_fleet_without_a_model_is_due(tmp_path: Path) -> None:
    assert is_due(tmp_path, fleet_of(500), AS_OF, settings=weekly())


@pytest.mark.parametrize(("days", "due"), [(0, False), (6, False), (7, True), (40, True)])
def test_a_model_has_its_days(tmp_path: Path, days: int, due: bool) -> None:
    keep_card(tmp_path, AS_OF - timedelta(days=days))
    assert is_due(tmp_path, fleet_of(500), AS_OF, settings=weekly()) is due


@pytest.mark.parametrize("homes", [fleet_of(99), fleet_of(500, likelihood=0.2), fleet_of(500, nights=2)])
def test_too_few_right_homes_teach_nothing(tmp_path: Path, homes: pl.DataFrame) -> None:
    assert not is_due(tmp_path, homes, AS_OF, settings=weekly())


def test_a_card_that_cannot_be_read_says_no_day(tmp_path: Path) -> None:
    (tmp_path / "card.json").write_text("{")
    assert last_trained_on(tmp_path) is None


def test_what_hinders_a_training_is_said_and_fails_nothing(tmp_path: Path) -> None:
    line = train_after_night(tmp_path / "no lake", tmp_path / "out", weekly())
    assert line.startswith("the fleet's own model was not trained: ")
    assert "no lake" in line


def test_an_object_store_is_left_to_the_command(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(train_due, "object_url", lambda out: "s3://bucket/out")
    assert not is_due(Path("s3:/bucket/out"), fleet_of(500), AS_OF, settings=weekly())

"""What the validation says of a model's training, from the model's own card."""

from __future__ import annotations

from dataclasses import replace

import pytest

from pipeline.core.errors import InputError
from pipeline.evaluation.validation.model_training import (
    SCHEMA,
    describe_training,
    refuse_training_seeds,
    training_families,
)
from pipeline.scoring.model import Model
from pipeline.scoring.model_file import load_model

RECIPE = {
    "seed": 7,
    "scale": 0.5,
    "fleets": [
        {"family": "weather", "sites": 1000},
        {"family": "weather", "sites": 40},
        {"family": "streets", "sites": 600},
    ],
    "left_out": {"weather": {"average_precision": 0.94, "log_loss": 0.05, "false_alarm_share": 0.004}},
}


@pytest.fixture
def model() -> Model:
    return replace(load_model(), recipe=RECIPE)


def test_families_are_told_with_what_they_got_when_left_out(model: Model) -> None:
    table = training_families(model)

    assert table.rows() == [
        ("streets", 1, 300, None, None, None),
        ("weather", 2, 560, 0.94, 0.05, 0.004),
    ]
    assert "families streets, weather, of other seeds" in describe_training(model)


def test_a_card_that_says_nothing_is_told_so(model: Model) -> None:
    silent = replace(model, recipe={"left_out": {}})

    partly = replace(model, recipe={"left_out": RECIPE["left_out"]})
    assert training_families(partly).rows() == [("weather", None, None, 0.94, 0.05, 0.004)]
    assert "doesn't say of which seeds" in describe_training(partly)
    assert training_families(silent).schema == SCHEMA
    assert training_families(silent).is_empty()
    assert "doesn't say" in describe_training(silent)
    refuse_training_seeds(silent, {7000})


def test_a_seed_of_the_training_is_refused(model: Model) -> None:
    refuse_training_seeds(model, {11, 7003})
    with pytest.raises(InputError, match="seed 7002"):
        refuse_training_seeds(model, {11, 7002})

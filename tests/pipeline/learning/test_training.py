"""How the classifier is made: kinds of faults, weights of homes, the same model from the same seed."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
import pytest

from pipeline import training
from pipeline.contract import SOUND
from pipeline.faults import CATALOGUE
from pipeline.settings import load_settings
from pipeline.learning.training import Lesson, fold_rare, home_weights, kinds_of, train


def test_a_kind_is_fault_position_legs_and_the_rooms_own_kinds() -> None:
    truth = pl.DataFrame(
        {
            "fault": ["sound", "reversed", "same_leg", "wrong_scope"],
            "leg": [None, "both", "l2", "both"],
            "sees_pv_true": [False, True, True, False],
            "severity": [None, "sign turned", "a copy: misplaced and turned", "declared upstream, is not"],
        }
    )

    assert kinds_of(truth, CATALOGUE).tolist() == [
        "sound/downstream",
        "reversed/upstream/both",
        "same_leg/upstream/one/copy",
        "wrong_scope/downstream/both/declared upstream",
    ]


def test_kinds_of_too_few_homes_are_put_together() -> None:
    kinds = np.array(["dead/upstream/one"] * 40 + ["dead/upstream/both"] * 3 + ["dead/downstream/both"] * 2)

    assert set(fold_rare(kinds)) == {"dead/upstream/one", "dead"}


def test_sound_counts_as_much_as_all_faults_and_every_fault_alike() -> None:
    labels = np.array(["sound/upstream"] * 6 + ["dead/upstream/one"] * 3 + ["reversed"])
    is_hard = np.array([True, True] + [False] * 8)

    weights = home_weights(labels, is_hard, 0.25)

    assert weights[:6].sum() == pytest.approx(5)
    assert weights[0] == pytest.approx(weights[2] / 4)
    assert weights[6:9].sum() == pytest.approx(weights[9]) == pytest.approx(2.5)


def test_the_same_seed_makes_the_same_model(monkeypatch: pytest.MonkeyPatch) -> None:
    lessons = (Lesson(60, 3, 60, date(2025, 6, 20)), Lesson(60, 3, 60, date(2025, 9, 20), True))
    monkeypatch.setattr(training, "LESSONS", lessons)

    once, again = (train(CATALOGUE, load_settings(), seed=3) for _ in range(2))

    assert once.model_id == again.model_id
    assert SOUND in once.classes
    assert once.recipe["seed"] == 3
    assert train(CATALOGUE, load_settings(), seed=4).model_id != once.model_id

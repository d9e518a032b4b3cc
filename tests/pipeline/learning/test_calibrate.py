"""Calibration on held-out homes: an overconfident model is drawn in, a well calibrated one is left alone."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline import classifier
from pipeline.classifier import Model
from pipeline.contract import SOUND
from pipeline.learning.calibration import temper
from pipeline.learning.training import home_weights


def homes(count: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    """A quarter dead, a quarter reversed; each piece fires on 90 % of its own and on 20 % of the others."""
    rng = np.random.default_rng(seed)
    labels = np.array(["dead", SOUND, "reversed", SOUND] * (count // 4))
    silent = rng.random(count) < np.where(labels == "dead", 0.9, 0.2)
    turned = rng.random(count) < np.where(labels == "reversed", 0.9, 0.2)
    return np.column_stack([silent, turned]).astype(float), labels


def log_loss(model: Model, values: np.ndarray, labels: np.ndarray) -> float:
    share = model.likelihoods(values, 0.5)
    return float(
        -np.log(share[np.arange(len(labels)), [model.classes.index(label) for label in labels]]).mean()
    )


@pytest.fixture(scope="module")
def overconfident() -> Model:
    """Fitted to homes whose pieces never err."""
    labels = np.array(["dead", SOUND, "reversed", SOUND] * 100)
    values = np.column_stack([labels == "dead", labels == "reversed"]).astype(float)
    return classifier.fit(values, labels, np.ones(400), ("silent", "turned"), 10.0, {})


def test_an_overconfident_model_is_drawn_in(overconfident: Model) -> None:
    values, labels = homes(2000, 1)
    weights = home_weights(labels, np.zeros(len(labels), dtype=bool), 1.0)

    tempered = temper(overconfident, values, labels, weights, base_rate=0.5, hold=1e-6)

    fresh, truth = homes(2000, 2)
    assert log_loss(tempered, fresh, truth) < log_loss(overconfident, fresh, truth) - 0.1
    assert tempered.stretch["dead"] < 0.8


def test_a_strong_hold_leaves_the_fit_alone(overconfident: Model) -> None:
    values, labels = homes(400, 3)
    weights = home_weights(labels, np.zeros(len(labels), dtype=bool), 1.0)

    held = temper(overconfident, values, labels, weights, base_rate=0.5, hold=1e6)

    assert held.stretch["dead"] == pytest.approx(1.0, abs=1e-3)
    assert held.offset["dead"] == pytest.approx(0.0, abs=1e-3)

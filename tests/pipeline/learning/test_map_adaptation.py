"""Own homes move the shipped weights as far as they ask for it, and no weight that they say nothing of."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from pipeline import classifier
from pipeline.learning.map_adaptation import adapt, allowed
from pipeline.classifier import STEPS, Model
from pipeline.contract import SOUND

PIECES = ("turned", "silent", "rare")


def homes(count: int, seed: int, *, alarm_share: float) -> tuple[np.ndarray, np.ndarray]:
    """A quarter each of two faults, half sound; `turned` fires on this share of the sound homes as well."""
    rng = np.random.default_rng(seed)
    labels = np.array(["reversed", SOUND, "dead", SOUND] * (count // 4))
    turned = (labels == "reversed") | ((labels == SOUND) & (rng.random(count) < alarm_share))
    values = np.column_stack([turned, labels == "dead", np.zeros(count)]).astype(float)
    return values, labels


@pytest.fixture(scope="module")
def shipped() -> Model:
    """Fitted where `turned` never errs and `rare` speaks for dead; then tempered."""
    values, labels = homes(400, 1, alarm_share=0.0)
    values[labels == "dead", 2] = 1.0
    model = classifier.fit(values, labels, np.ones(400), PIECES, 1.0, {})
    return replace(model, stretch={"reversed": 1.2, "dead": 0.9}, offset={"reversed": -0.3})


def log_loss(model: Model, values: np.ndarray, labels: np.ndarray) -> float:
    share = model.likelihoods(values, 0.5)
    return float(-np.log(share[np.arange(len(labels)), [model.classes.index(x) for x in labels]]).mean())


def test_a_piece_that_errs_in_this_fleet_loses_weight(shipped: Model) -> None:
    values, labels = homes(400, 2, alarm_share=0.3)
    adapted = adapt(shipped, values, labels, np.ones(400), hold=1.0)

    fresh, truth = homes(400, 3, alarm_share=0.3)
    assert log_loss(adapted, fresh, truth) < log_loss(shipped, fresh, truth) - 0.05
    alarm = np.array([[1.0, 0.0, 0.0]])
    at = shipped.classes.index(SOUND)
    assert adapted.likelihoods(alarm, 0.5)[0, at] > shipped.likelihoods(alarm, 0.5)[0, at] + 0.1


def test_a_high_price_leaves_every_likelihood_as_it_was(shipped: Model) -> None:
    """The calibration (stretch, offset) is now part of the weights, at any base rate."""
    values, labels = homes(400, 2, alarm_share=0.3)
    adapted = adapt(shipped, values, labels, np.ones(400), hold=1e9)

    for rate in (0.02, 0.5):
        assert adapted.likelihoods(values, rate) == pytest.approx(shipped.likelihoods(values, rate), abs=1e-5)
    assert dict(adapted.stretch) == dict(adapted.offset) == {}


def test_what_never_fires_here_keeps_its_shipped_weight(shipped: Model) -> None:
    values, labels = homes(400, 2, alarm_share=0.3)
    adapted = adapt(shipped, values, labels, np.ones(400), hold=1.0)
    rare = slice(2 * STEPS, 3 * STEPS)

    def over_sound(model: Model) -> np.ndarray:
        own = model.weights[:, rare]
        difference: np.ndarray = own - own[model.kinds.index(SOUND)]
        return difference

    assert over_sound(adapted) == pytest.approx(over_sound(shipped))
    assert np.abs(over_sound(shipped)).max() > 0.1


def test_the_same_homes_give_the_same_model_and_it_comes_back_from_disk(
    shipped: Model, tmp_path: Path
) -> None:
    values, labels = homes(200, 2, alarm_share=0.3)
    once, again = (adapt(shipped, values, labels, np.ones(200), hold=3.0) for _ in range(2))
    told = replace(once, base_rate=0.08, fault_mix={"dead": 0.7, "reversed": 0.3})
    classifier.save(told, tmp_path)
    back = classifier.load(tmp_path, PIECES)

    assert once.model_id == again.model_id
    assert back.model_id == told.model_id != once.model_id
    assert back.rate(0.05) == 0.08
    assert back.likelihoods(values, 0.08) == pytest.approx(told.likelihoods(values, 0.08))


def test_the_mix_of_faults_shares_out_the_base_rate(shipped: Model) -> None:
    nothing = np.full((1, 3), np.nan)
    even, uneven = shipped, replace(shipped, fault_mix={"dead": 0.8, "reversed": 0.2})

    def odds(model: Model) -> float:
        share = model.likelihoods(nothing, 0.1)[0]
        return float(np.log(share[model.classes.index("dead")] / share[model.classes.index("reversed")]))

    assert odds(uneven) - odds(even) == pytest.approx(np.log(0.8 / 0.2))


def test_a_kind_the_model_does_not_know_may_be_any_of_its_faults() -> None:
    kinds = ("dead/upstream/one", "dead/upstream/both", "sound/upstream")
    labels = np.array(["dead/upstream/both", "dead/downstream/one", SOUND])

    assert allowed(labels, kinds).tolist() == [
        [False, True, False],
        [True, True, False],
        [False, False, True],
    ]
    with pytest.raises(ValueError, match="humming"):
        allowed(np.array(["humming"]), kinds)

"""Own homes stretch what the shipped probes say as far as they ask for it, and no probe that they say nothing of."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.learning.map_adaptation import FACTOR, adapt
from pipeline.probes import names_of
from pipeline.scoring.model import Model
from pipeline.scoring.model_file import load_model, save_model

NAMES = names_of(2)

Float = NDArray[np.float64]
SUN, NIGHTS, SAG = (NAMES.index(name) for name in ("sun", "nights", "sag"))


def homes(count: int, seed: int, *, alarm_share: float = 0.0) -> tuple[Float, NDArray[np.bool_]]:
    """What probes add to homes half of which are faulty: `sun` is right, `nights` alarms on sound ones too."""
    rng = np.random.default_rng(seed)
    is_faulty = np.arange(count) % 2 == 0
    terms = np.zeros((count, len(NAMES)))
    terms[:, SUN] = np.where(is_faulty, 2.0, -2.0) + rng.normal(0, 2.0, count)
    fires = rng.random(count) < np.where(is_faulty, 0.95, max(alarm_share, 0.05))
    terms[:, NIGHTS] = np.where(fires, 3.0, -3.0)
    return terms, is_faulty


@pytest.fixture(scope="module")
def shipped(model: Model) -> Model:
    """The shipped trees, calibrated so that what the probes add is all there is."""
    even = replace(model, slope=1.0, intercept=-float(model.any_fault.start[0]), probe_slope={"sag": 1.2})
    assert even.base_log_odds == pytest.approx(0.0)
    return even


def log_loss(model: Model, shipped: Model, terms: Float, is_faulty: NDArray[np.bool_]) -> float:
    factor = np.array(
        [model.probe_slope.get(name, 1.0) / shipped.probe_slope.get(name, 1.0) for name in NAMES]
    )
    log_odds = terms @ factor + model.base_log_odds
    return float(np.logaddexp(0, np.where(is_faulty, -log_odds, log_odds)).mean())


def test_a_probe_that_errs_in_this_fleet_is_listened_to_less(shipped: Model) -> None:
    adapted = adapt(shipped, *homes(400, 2, alarm_share=0.4), weights=np.ones(400), l2_penalty=1.0)

    fresh = homes(2000, 3, alarm_share=0.4)
    assert log_loss(adapted, shipped, *fresh) < log_loss(shipped, shipped, *fresh) - 0.05
    assert adapted.probe_slope["nights"] < 0.8
    assert adapted.probe_slope["sun"] == pytest.approx(1.0, abs=0.25)


def test_a_high_price_leaves_everything_as_it_was(shipped: Model) -> None:
    held = adapt(shipped, *homes(400, 2, alarm_share=0.4), weights=np.ones(400), l2_penalty=1e9)

    before = {name: shipped.probe_slope.get(name, 1.0) for name in NAMES}
    assert held.probe_slope == pytest.approx(before, abs=1e-3)
    assert held.intercept == pytest.approx(shipped.intercept, abs=1e-3)


def test_what_never_speaks_here_keeps_its_shipped_slope(shipped: Model) -> None:
    adapted = adapt(shipped, *homes(400, 2, alarm_share=0.4), weights=np.ones(400), l2_penalty=1.0)

    silent = set(NAMES) - {"sun", "nights", "sag"}
    assert {adapted.probe_slope[name] for name in silent} == {1.0}
    assert adapted.probe_slope["sag"] == 1.2  # its own, kept


def test_factors_keep_their_limits(shipped: Model) -> None:
    """A probe that says the contrary of the truth is silenced, never turned round."""
    terms, is_faulty = homes(400, 4)
    terms[:, NIGHTS] *= -1

    adapted = adapt(shipped, terms, is_faulty, weights=np.ones(400), l2_penalty=0.01)

    assert adapted.probe_slope["nights"] == FACTOR[0] == 0.0
    assert adapted.probe_slope["sun"] <= FACTOR[1]


def test_homes_count_by_their_weight(shipped: Model) -> None:
    terms, is_faulty = homes(400, 5, alarm_share=0.4)
    more_sound = np.where(is_faulty, 0.2, 1.8)

    usual, sound = (
        adapt(shipped, terms, is_faulty, weights=weights, l2_penalty=3.0)
        for weights in (np.ones(400), more_sound)
    )

    assert sound.intercept < usual.intercept - 0.2


def test_the_same_homes_give_the_same_model_and_it_comes_back_from_disk(
    shipped: Model, tmp_path: Path
) -> None:
    once, again = (
        adapt(shipped, *homes(200, 2, alarm_share=0.3), weights=np.ones(200), l2_penalty=3.0)
        for _ in range(2)
    )
    told = replace(once, base_rate=0.08, fault_mix={"dead": 0.7, "reversed": 0.3})
    save_model(told, tmp_path)
    back = load_model(tmp_path)

    assert once.model_id == again.model_id
    assert back.model_id == told.model_id != once.model_id
    assert back.rate(0.05) == 0.08
    assert back.probe_slope == once.probe_slope

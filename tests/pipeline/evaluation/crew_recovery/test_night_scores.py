"""Likelihoods that the night gives to homes whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from pipeline.core.settings import load_settings
from pipeline.evaluation.crew_recovery.night_scores import FAULT_SHARE, NightScores, score_simulated_homes
from pipeline.evaluation.crew_recovery.synthetic_fleet import Scenario, draw_fleet

SETTINGS = load_settings()


def test_homes_of_a_kind_draw_the_scores_of_that_kind() -> None:
    scores = NightScores(np.array([-5.0, -4.0]), np.array([3.0]), 0.05)
    is_wrong = np.array([0.0, 1.0, 0.0, 0.0])

    drawn = scores.draw(is_wrong, np.random.default_rng(1))

    assert drawn[1] == 3
    assert set(drawn[is_wrong == 0]) <= {-5.0, -4.0}


def test_a_fleet_of_scored_homes_has_the_base_rate_that_the_scores_were_worked_out_for() -> None:
    scores = NightScores(np.full(9, -4.0), np.full(9, 2.0), 0.05)

    drawn = draw_fleet(Scenario(scores=scores), np.random.default_rng(1), 10.0)

    assert drawn.homes.base_rate == 0.05
    assert drawn.homes.log_odds == pytest.approx(np.where(drawn.is_wrong > 0, 2.0, -4.0))


def test_simulated_homes_go_through_the_night() -> None:
    scores = score_simulated_homes(40, 5, SETTINGS, workers=1)

    assert scores.right.size + scores.wrong.size == 40
    assert scores.wrong.size == pytest.approx(40 * FAULT_SHARE, abs=8)
    assert special.expit(np.median(scores.wrong)) > 0.5 > special.expit(np.median(scores.right))
    # the fleet's own share: far above the usual one, drawn to it as forty homes are few
    assert SETTINGS.verdict.base_rate < scores.base_rate < FAULT_SHARE + 0.1

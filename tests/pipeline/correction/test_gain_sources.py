"""What a leg reads of a watt, by source."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scored_homes import homes, unseen_fleet

from pipeline.correction.gain_sources import SOURCES, combine, home_ratio, leg_gains
from pipeline.scoring.model import Model

HALF = {
    "gain_l1": 0.5, "gain_l1_se": 0.02, "gain_l2": 1.0, "gain_l2_se": 0.02, "gain_sum": 0.75, "gain_sum_se": 0.02,
    "pair_log_ratio": 0.69, "pair_log_se": 0.02, "pair_n": 200, "meter_gain_l1": 0.5, "meter_gain_l2": 1.0,
    "meter_l1_se": 0.01, "meter_l2_se": 0.01, "meter_r2": 0.99,
}  # fmt: skip


def gains(model: Model, row: dict[str, Any], leg: str, remains: str = "upstream share") -> tuple[Any, Any]:
    """Reading over truth and the error of its logarithm of leg 1, by source."""
    value, error = leg_gains(
        homes([row]), unseen_fleet(model).normal, np.array([leg], object), remains=np.array([remains], object)
    )
    return np.exp(value[0, 0]), error[0, 0]


def test_every_source_says_half(model: Model) -> None:
    value, error = gains(model, HALF, "l1")

    assert value.size == len(SOURCES)
    assert value == pytest.approx(0.5, rel=0.06)
    assert (error > 0.01).all()


def test_the_other_leg_tells_nothing_where_both_are_wrong(model: Model) -> None:
    value, _ = gains(model, HALF | {"gain_l2": 0.5}, "both")

    assert np.isnan(value).tolist() == [False, False, True]


def test_few_steps_and_a_meter_that_explains_little_tell_nothing(model: Model) -> None:
    value, _ = gains(model, HALF | {"pair_n": 3, "meter_r2": 0.3}, "l1")

    assert np.isnan(value).tolist() == [False, True, True]


def test_a_meter_that_a_leg_explains_less_says_less_and_its_gain_is_brought_down(model: Model) -> None:
    plain, plain_errors = gains(model, HALF | {"meter_l1_se": 0.002}, "l1")
    noisy, noisy_errors = gains(model, HALF | {"meter_l1_se": 0.02}, "l1")

    assert noisy_errors[1] > 3 * plain_errors[1]
    assert noisy[1] < 0.47 < plain[1]  # the reading's own noise may have raised it


def test_at_the_loads_a_share_of_upstream_is_not_known(model: Model) -> None:
    row = HALF | {"is_declared_upstream": False, "expected_gain": 0.0, "gain_l1": 0.0}

    assert np.isnan(gains(model, row, "l1")[0]).all()
    assert np.isnan(gains(model, row, "l1", "share")[0]).tolist() == [True, False, False]


def test_a_lead_in_phase_widens_what_loads_say(model: Model) -> None:
    usual, skewed = gains(model, HALF, "l1")[1], gains(model, HALF, "l1", "share")[1]

    assert skewed[0] == usual[0]
    assert (skewed[1:] >= 0.1).all()
    turned = gains(model, HALF | {"service": "120/208"}, "l1", "share")[1]
    assert turned[0] >= 0.2


def test_a_negative_gain_is_no_share(model: Model) -> None:
    value, _ = gains(model, HALF | {"gain_l1": -0.5, "meter_gain_l1": -0.5}, "l1")

    assert np.isnan(value[:2]).tolist() == [True, True]


def test_a_ratio_is_of_both_legs(model: Model) -> None:
    row = HALF | {"gain_sum": 2.0, "meter_gain_l1": 2.02, "meter_gain_l2": 1.98}

    value, error = home_ratio(homes([row, {"gain_sum": None, "meter_r2": None}]), unseen_fleet(model).normal)

    assert np.exp(value[0]) == pytest.approx(2.0, rel=0.04)
    assert 0.01 < error[0] < 0.1
    assert np.isnan(value[1])


def test_agreeing_sources_sharpen_and_disagreeing_ones_widen() -> None:
    mean, error, used = combine(np.array([[0.0, 0.02], [0.0, 0.5], [0.1, np.nan]]), np.full((3, 2), 0.1))

    assert mean == pytest.approx([0.01, 0.25, 0.1])
    assert error[0] == pytest.approx(0.1 / np.sqrt(2))
    assert error[1] == pytest.approx(0.25)
    assert error[2] == pytest.approx(0.1)
    assert used.tolist() == [[True, True], [True, True], [True, False]]

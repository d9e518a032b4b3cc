"""Log odds of one fault in a span of days."""

from __future__ import annotations

import numpy as np
from scored_homes import homes, register, unseen_fleet

from pipeline.core.settings import load_settings
from pipeline.correction.fault_evidence import fault_log_odds
from pipeline.correction.yardstick import Yardstick
from pipeline.scoring.model import Model

TURNED = {
    "slope_l1": 0.5, "gain_l1": -1.0, "slope_sum": 0.0, "gain_sum": 0.0, "night_l1_w": -150.0, "night_l1_low_w": -300.0,
    "night_l1_high_w": -100.0, "night_l1_negative_share": 1.0,
}  # fmt: skip


def test_a_fault_is_seen_on_its_leg_and_nowhere_else(model: Model) -> None:
    signals = homes([TURNED, TURNED, TURNED, {}])
    yardstick = Yardstick(model, unseen_fleet(model), register(signals), load_settings())

    own, other_leg, other_fault, right = fault_log_odds(
        signals, ["reversed", "reversed", "dead", "reversed"], ["l1", "l2", "l1", "l1"], yardstick=yardstick
    )

    assert own > 2
    assert max(other_leg, other_fault) < -1
    assert right < -5


def test_no_leg_is_any_leg(model: Model) -> None:
    signals = homes([TURNED, TURNED])
    yardstick = Yardstick(model, unseen_fleet(model), register(signals), load_settings())

    on_leg, anywhere = fault_log_odds(signals, ["reversed", "reversed"], ["l1", None], yardstick=yardstick)

    assert anywhere >= on_leg


def test_a_fault_that_the_model_does_not_know_is_not_judged(model: Model) -> None:
    signals = homes([{}])
    yardstick = Yardstick(model, unseen_fleet(model), register(signals), load_settings())

    assert np.isnan(fault_log_odds(signals, ["struck by lightning"], ["l1"], yardstick=yardstick)).all()
    assert fault_log_odds(signals.clear(), [], [], yardstick=yardstick).size == 0

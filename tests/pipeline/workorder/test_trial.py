"""The known load by the circuit's physics: what a right install shows, what a fault shows, what the sun has settled."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.core.setting_sections import OrderSettings
from pipeline.core.settings import load_settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.workorder.install import Install
from pipeline.workorder.say import accepted, moves
from pipeline.workorder.trial import fault_trial, right_trial

OWN: OrderSettings = load_settings().orders
UPSTREAM = Install("120/240", sees_pv=True, cts_per_leg=1, pv_added_back=False, has_pv=True)


@pytest.mark.parametrize(
    ("service", "sees_pv", "added_back", "sun"),
    [
        ("120/240", True, False, (-1000.0, -1000.0)),
        ("120/208", True, False, (-1000.0, -1000.0)),  # half the PV power on each leg
        ("120/240", False, False, (0.0, 0.0)),
        ("120/240", True, True, (0.0, 0.0)),
        ("single", True, False, (-2000.0, 0.0)),
    ],
)
def test_a_right_install_by_position(
    service: str, sees_pv: bool, added_back: bool, sun: tuple[float, float]
) -> None:
    moved = right_trial(Install(service, sees_pv, 1, added_back, True), OWN).low
    assert moved[0, :2] == pytest.approx([1500.0, 0.0], abs=1e-6)
    assert moved[2, :2] == pytest.approx(sun, abs=1e-6)
    assert moved[2, 2] == pytest.approx(2000.0)


def test_crossed_legs_answer_on_the_other_channel_and_half_so_on_208() -> None:
    """120/240: exchanged and negative; 120/208: cos 120 deg = -0.5 of it."""
    for service, share in (("120/240", -1.0), ("120/208", -0.5)):
        install = Install(service, True, 1, False, True)
        trial = fault_trial(CATALOGUE["legs_crossed"], "both", install, {}, OWN)
        assert trial is not None
        assert trial.low[0, :2] == pytest.approx([0.0, share * 1500.0], abs=1e-6)


def test_the_measured_slope_settles_how_much_a_clamp_sees() -> None:
    free = fault_trial(CATALOGUE["wrong_ratio"], "both", UPSTREAM, {}, OWN)
    measured = {"slope_l1": -1.0, "slope_l1_se": 0.01, "slope_l2": -1.0, "slope_l2_se": 0.01}
    settled = fault_trial(CATALOGUE["wrong_ratio"], "both", UPSTREAM, measured, OWN)
    assert free is not None
    assert settled is not None
    assert free.low[0, 0] < 500 < 2900 < free.high[0, 0]
    assert (settled.low[0, 0], settled.high[0, 0]) == pytest.approx((3000.0, 3000.0))


def test_a_pair_is_assumed_where_the_fault_needs_one_and_an_outlet_hangs_on_one_bundle() -> None:
    downstream = Install("120/240", sees_pv=False, cts_per_leg=1, pv_added_back=False, has_pv=True)
    trial = fault_trial(CATALOGUE["opposed_pair"], "l1", downstream, {}, OWN)
    assert trial is not None
    assert (trial.low[0, 0], trial.high[0, 0]) == pytest.approx((-1500.0, 1500.0))
    assert trial.is_either[0, 0]


def test_a_wrong_record_reads_as_the_truth_does() -> None:
    trial = fault_trial(CATALOGUE["wrong_scope"], "both", UPSTREAM, {}, OWN)
    assert trial is not None
    assert trial.low[2, :2] == pytest.approx(
        [0.0, 0.0], abs=1e-6
    )  # declared upstream, so really at the loads


def test_a_fault_that_cannot_be_has_no_trial() -> None:
    added = Install("120/240", sees_pv=True, cts_per_leg=1, pv_added_back=True, has_pv=True)
    assert fault_trial(CATALOGUE["wrong_scope"], "both", added, {}, OWN) is None


def test_watts_in_words() -> None:
    assert accepted(1500.0, OWN) == "+1\u202f500 ± 150"
    assert accepted(0.0, OWN) == "0 ± 50"
    assert moves(-1500.0, -1500.0, False, OWN) == "−1\u202f500"
    assert moves(-20.0, 30.0, False, OWN) == "0"
    assert moves(-740.0, -560.0, False, OWN) == "−560 to −740"
    assert moves(0.0, 1500.0, True, OWN) == "0 or +1\u202f500"


def test_draws_are_the_same_each_time() -> None:
    one, two = (fault_trial(CATALOGUE["pickup_noise"], "l1", UPSTREAM, {}, OWN) for _ in range(2))
    assert one is not None
    assert two is not None
    assert np.array_equal(one.low, two.low)

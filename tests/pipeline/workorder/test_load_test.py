"""The known load by the circuit's physics: what a right install shows, what a fault shows, what the sun has settled."""

from __future__ import annotations

import numpy as np
import pytest

from pipeline.core.setting_sections import OrderSettings
from pipeline.core.settings import load_settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.workorder.expectations import accepted_text, moves_text
from pipeline.workorder.install import Install
from pipeline.workorder.load_test import Response, fault_response, right_response

SETTINGS: OrderSettings = load_settings().orders
UPSTREAM = Install("120/240", sees_pv=True, cts_per_leg=1, pv_added_back=False, has_pv=True)


@pytest.mark.parametrize(
    ("service", "sees_pv", "added_back", "sun"),
    [
        ("120/240", True, False, (-1000.0, -1000.0)),
        ("120/208", True, False, (-1000.0, -1000.0)),  # half the PV power on each leg
        ("120/240", False, False, (0.0, 0.0)),
        ("120/240", True, True, (0.0, 0.0)),
        ("single", True, False, (-2000.0,)),
        ("230", True, False, (-2000.0,)),
        ("230/400", True, False, (-2000 / 3,) * 3),  # a third on each
        ("120/208 three-phase", True, False, (-2000 / 3,) * 3),
        ("230/400", False, False, (0.0,) * 3),
    ],
)
def test_a_right_install_by_position(
    service: str, sees_pv: bool, added_back: bool, sun: tuple[float, ...]
) -> None:
    moved = right_response(Install(service, sees_pv, 1, added_back, True), SETTINGS).low
    lines = len(sun)
    assert moved.shape == (lines + 1, lines + 1)
    assert moved[:lines, :lines] == pytest.approx(1500.0 * np.eye(lines), abs=1e-6)
    assert moved[lines, :lines] == pytest.approx(sun, abs=1e-6)
    assert moved[lines, lines] == pytest.approx(2000.0)


@pytest.mark.parametrize(
    ("fed", "sun"),
    [(("l2",), (0.0, -2000.0, 0.0)), (("l1", "l3"), (-1000.0, 0.0, -1000.0))],
)
def test_the_sun_is_on_the_lines_that_the_inverter_feeds(
    fed: tuple[str, ...], sun: tuple[float, ...]
) -> None:
    install = Install("230/400", True, 1, False, True, pv_lines=fed)
    moved = right_response(install, SETTINGS).low
    assert moved[3] == pytest.approx([*sun, 2000.0], abs=1e-6)


def test_a_ct_on_another_of_three_lines_reads_minus_half_and_reversed_plus_half() -> None:
    """P cos 120 deg; its own load moves nothing. Where the effect also turns some, both halves are there."""
    install = Install("230/400", True, 1, False, True)
    response = fault_response(CATALOGUE["same_leg"], "l1", install, signal={}, settings=SETTINGS)
    assert response is not None
    assert (response.low[0, 0], response.high[0, 0]) == pytest.approx((0.0, 0.0), abs=1e-6)
    there = {round(float(size)) for size in (*response.low[1:3, 0], *response.high[1:3, 0])}
    assert there <= {-750, 0, 750}
    assert -750 in there
    assert response.low[1:3, 1:3] == pytest.approx(1500.0 * np.eye(2), abs=1e-6)


def test_the_likeliest_wiring_speaks_where_the_fault_as_drawn_does_not_answer_as_the_home_does() -> None:
    """L2's CT on L3, L3's on L2 and turned, the sun on L2 and L3: +1/2 and -1/2, by the homes' own slopes."""
    install = Install("230/400", True, 1, False, True, pv_lines=("l2", "l3"))
    slopes = {"slope_l1": 0.0, "slope_l2": 0.5, "slope_l3": -0.5}
    measured = slopes | dict.fromkeys(("slope_l1_se", "slope_l2_se", "slope_l3_se"), 0.01)
    crossed = CATALOGUE["legs_crossed"]
    drawn, wired = (
        fault_response(crossed, "l2+l3", install, signal=measured, settings=SETTINGS, wiring=wiring)
        for wiring in (None, "l1+ l3+ l2-")
    )
    assert drawn is not None
    assert wired is not None
    assert drawn.low[3, :3] == pytest.approx([0.0, 1000.0, 1000.0], abs=1e-6)
    assert wired.low[3, :3] == pytest.approx([0.0, 1000.0, -1000.0], abs=1e-6)
    assert (wired.low[1, 2], wired.low[2, 1]) == pytest.approx((750.0, -750.0))
    right = measured | {"slope_l2": 0.5, "slope_l3": 0.5}
    kept = fault_response(crossed, "l2+l3", install, signal=right, settings=SETTINGS, wiring="l1+ l3+ l2-")
    assert kept is not None
    assert kept.low[3, :3] == pytest.approx(drawn.low[3, :3])


def test_one_total_of_three_lines_reads_every_load_and_nobody_knows_whose_ct_is_wrong() -> None:
    install = Install("230/400", True, 1, False, True, is_summed=True)
    right = right_response(install, SETTINGS).low
    assert right[:, 0] == pytest.approx([1500.0, 1500.0, 1500.0, -2000.0], abs=1e-6)
    response = fault_response(CATALOGUE["reversed"], "l1", install, signal={}, settings=SETTINGS)
    assert response is not None
    assert (response.low[1, 0], response.high[1, 0]) == pytest.approx((-1500.0, 1500.0))
    assert response.is_either[1, 0]


def test_crossed_legs_answer_on_the_other_channel_and_half_so_on_208() -> None:
    """120/240: exchanged and negative; 120/208: cos 120 deg = -0.5 of it."""
    for service, share in (("120/240", -1.0), ("120/208", -0.5)):
        install = Install(service, True, 1, False, True)
        response = fault_response(CATALOGUE["legs_crossed"], "both", install, signal={}, settings=SETTINGS)
        assert response is not None
        assert response.low[0, :2] == pytest.approx([0.0, share * 1500.0], abs=1e-6)


def test_the_measured_slope_settles_how_much_a_ct_sees() -> None:
    free = fault_response(CATALOGUE["wrong_ratio"], "both", UPSTREAM, signal={}, settings=SETTINGS)
    measured = {"slope_l1": -1.0, "slope_l1_se": 0.01, "slope_l2": -1.0, "slope_l2_se": 0.01}
    settled = fault_response(CATALOGUE["wrong_ratio"], "both", UPSTREAM, signal=measured, settings=SETTINGS)
    assert free is not None
    assert settled is not None
    assert free.low[0, 0] < 500 < 2900 < free.high[0, 0]
    assert (settled.low[0, 0], settled.high[0, 0]) == pytest.approx((3000.0, 3000.0))


def test_a_pair_is_assumed_where_the_fault_needs_one_and_an_outlet_hangs_on_one_bundle() -> None:
    downstream = Install("120/240", sees_pv=False, cts_per_leg=1, pv_added_back=False, has_pv=True)
    response = fault_response(CATALOGUE["opposed_pair"], "l1", downstream, signal={}, settings=SETTINGS)
    assert response is not None
    assert (response.low[0, 0], response.high[0, 0]) == pytest.approx((-1500.0, 1500.0))
    assert response.is_either[0, 0]


def test_a_wrong_record_reads_as_the_truth_does() -> None:
    response = fault_response(CATALOGUE["wrong_scope"], "both", UPSTREAM, signal={}, settings=SETTINGS)
    assert response is not None
    assert response.low[2, :2] == pytest.approx(
        [0.0, 0.0], abs=1e-6
    )  # declared upstream, so really at the loads


def test_a_fault_that_cannot_be_has_no_response() -> None:
    added = Install("120/240", sees_pv=True, cts_per_leg=1, pv_added_back=True, has_pv=True)
    assert fault_response(CATALOGUE["wrong_scope"], "both", added, signal={}, settings=SETTINGS) is None


def test_watts_in_words() -> None:
    assert accepted_text(1500.0, SETTINGS) == "+1\u202f500 ± 150"
    assert accepted_text(0.0, SETTINGS) == "0 ± 50"


@pytest.mark.parametrize(
    ("low", "high", "is_either", "text"),
    [
        (-1500.0, -1500.0, False, "−1\u202f500"),
        (-20.0, 30.0, False, "0"),
        (-740.0, -560.0, False, "−560 to −740"),
        (0.0, 1500.0, True, "0 or +1\u202f500"),
    ],
)
def test_moves_in_words(low: float, high: float, is_either: bool, text: str) -> None:
    response = Response(np.array([[low]]), np.array([[high]]), np.array([[is_either]]))
    assert moves_text(response, (0, 0), SETTINGS) == text


def test_draws_are_the_same_each_time() -> None:
    first, second = (
        fault_response(CATALOGUE["pickup_noise"], "l1", UPSTREAM, signal={}, settings=SETTINGS)
        for _ in range(2)
    )
    assert first is not None
    assert second is not None
    assert np.array_equal(first.low, second.low)

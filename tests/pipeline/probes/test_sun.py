"""What the response to PV says: the sign, the size, where nothing should respond, and the phase."""

from __future__ import annotations

from typing import Any

import pytest
from scored_homes import right_home

from pipeline.probes.sun import PHASE, SUN


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        (
            {"slope_l1": 0.5},
            "L1 tracks PV with the wrong sign: +0.50 W per W of PV, right is −0.50 (L2 −0.49)",
        ),
        (
            {"slope_l1": 0.5, "slope_l2": 0.51},
            "L1 and L2 track PV with the wrong sign: +0.50 and +0.51 W per W of PV, right is −0.50",
        ),
        (
            {"slope_l1": -1.92, "slope_l2": 1.01},
            "L1 tracks PV too strongly: −1.92 W per W of PV, L2 tracks PV with the wrong sign: +1.01, right is −0.50",
        ),
        ({"slope_l2": -0.25}, "L2 tracks PV too weakly: −0.25 W per W of PV, right is −0.50 (L1 −0.50)"),
        ({"slope_l2": -0.001}, "L2 does not respond to PV: 0.00 W per W of PV, right is −0.50 (L1 −0.50)"),
        ({}, "L1 and L2 track PV as they should: −0.50 and −0.49 W per W of PV, right is −0.50"),
        # within its own error
        ({"slope_l2": -0.4, "slope_l2_se": 0.06}, "L1 and L2 track PV as they should"),
        (
            {"slope_expected": 0.0},
            "L1 and L2 track PV though they should not: −0.50 and −0.49 W per W of PV, right is 0.00",
        ),
        (
            {"slope_expected": 0.0, "slope_l1": 0.01, "slope_l2": -0.004},
            "L1 and L2 do not respond to PV: +0.01 and 0.00 W per W of PV, right is 0.00",
        ),
        (
            {"slope_expected": None},
            "with PV moves L1 by −0.50 and L2 by −0.49 W per W of PV, the site record does not say what is right",
        ),
    ],
)
def test_the_response_to_pv(changed: dict[str, Any], told: str) -> None:
    assert SUN.tell(right_home() | changed).startswith(told)


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        (
            {"phase_l1_deg": -179.8},
            "on PV ramps L1 current is in reverse phase: 180°, right is near 0° (L2 0°)",
        ),
        ({"phase_l1_deg": 14.0}, "on PV ramps L1 current leads: 14°, right is near 0° (L2 0°)"),
        ({"phase_l2_deg": -9.0}, "on PV ramps L2 current lags: 9°, right is near 0° (L1 0°)"),
        (
            {"phase_l2_deg": -9.0, "phase_l2_se_deg": 41.0},
            "on PV ramps L1 and L2 current is in phase: 0° and 9°, right is near 0°",
        ),
    ],
)
def test_the_phase_on_pv_ramps(changed: dict[str, Any], told: str) -> None:
    assert PHASE.tell(right_home() | changed) == told

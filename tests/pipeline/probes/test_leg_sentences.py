"""What one leg against the other says: crosstalk, mirrored legs, 240 V loads, voltage sag."""

from __future__ import annotations

from typing import Any

import pytest
from scored_homes import right_home

from pipeline.probes import leg_sentences


def told(tell: str, **changed: Any) -> str:
    return str(getattr(leg_sentences, tell)(right_home() | changed))


def test_crosstalk_counts_beyond_its_error_only() -> None:
    assert told("tell_leaks", leak_l1=0.26, leak_l1_se=0.03) == (
        "crosstalk: L1 shows +0.26 W per W of a load on L2 alone, right is 0.00"
    )
    assert told("tell_leaks", leak_l1=-0.16, leak_l1_se=0.08) == (
        "a load on one leg alone does not clearly show on the other: L1 −0.16 and L2 0.00 W per W, right is 0.00"
    )


def test_two_cts_on_one_conductor_mirror_or_copy() -> None:
    assert told("tell_mirror", mirror_share=1.0, equal_share=0.0, active_steps=253.0) == (
        "L2 mirrors L1 (same size, sign turned) in 100 % of 253 load steps at night, as two CTs on one conductor do"
        " (right is few)"
    )
    assert told("tell_mirror", mirror_share=0.0, equal_share=0.95).startswith(
        "L2 copies L1 in 95 % of 600 load steps"
    )
    assert told("tell_mirror", mirror_share=0.0) == (
        "of 600 load steps at night L2 never mirrors L1 and copies it in 5 %, right is few"
    )


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"pair_log_ratio": -0.11}, "step L2 0.90 times as much as L1 in 80 steps, right is 1.00"),
        ({"pair_n": 1.0}, "step L2 0.99 times as much as L1 in 1 step, right is 1.00"),
        (
            {"pair_opposite_share": 0.37},
            "step L2 0.99 times as much as L1, right is 1.00, and the opposite way in 37 % of 80 steps,"
            " right is hardly ever",
        ),
        (
            {"pair_opposite_share": 1.0},
            "step L2 the opposite way to L1 in 100 % of 80 steps, right is hardly ever (0.99 times as much as L1,"
            " right is 1.00)",
        ),
    ],
)
def test_240_v_loads(changed: dict[str, Any], words: str) -> None:
    assert told("tell_pairs", **changed) == f"240 V loads {words}"


def test_voltage_sag_says_which_leg_a_ct_is_on() -> None:
    assert told("tell_sag") == (
        "voltage sag puts L1 and L2 on their own legs: the voltage drops 0.20 V and 0.21 V per kW of their load,"
        " right is a drop"
    )
    assert told("tell_sag", sag_l1=0.25, sag_l1_z=29.0) == (
        "voltage sag puts L1 on the other leg or turned around: its own leg's voltage rises 0.25 V per kW, right is a"
        " drop (L2 drops 0.21 V)"
    )
    assert "L1 and L2 on each other's leg or turned around" in told(
        "tell_sag", sag_l1=0.5, sag_l1_z=64.0, sag_l2=-0.49, sag_l2_z=-46.0
    )
    assert told("tell_sag", sag_l1_z=-1.0, sag_l2_z=1.0) == "voltage sag is too small to tell the legs"
    assert told("tell_sag", sag_l1_z=None, sag_l2_z=None) == "voltage sag can't tell the legs"

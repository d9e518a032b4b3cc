"""What the nights say: the overnight baseload and its minimum."""

from __future__ import annotations

from typing import Any

import pytest
from scored_homes import right_home

from pipeline.probes.nights import FLOORS, NIGHTS


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        (
            {"night_l1_w": -142.5, "night_l1_negative_share": 1.0},
            "L1 −142 W and L2 220 W, L1 below zero in 100 % of night intervals (a right CT stays above zero)",
        ),
        (
            {"night_l1_w": -130.0, "night_l1_negative_share": 1.0, "night_l2_negative_share": 0.9004},
            "L1 −130 W and L2 220 W, L1 and L2 below zero in 100 % and 90 % of night intervals"
            " (a right CT stays above zero)",
        ),
        ({"night_l2_w": 0.4}, "L1 200 W and L2 0 W, L2 reads nothing (a right CT stays above zero)"),
        ({}, "L1 200 W and L2 220 W, never below zero, as with a right CT"),
    ],
)
def test_the_overnight_baseload(changed: dict[str, Any], told: str) -> None:
    assert NIGHTS.tell(right_home() | changed) == f"overnight baseload: {told}"


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        (
            {"floor_l1_drop_w": 1083.0},
            "L1 falls 1\u202f083 W below its usual overnight minimum, right is a few watts (L2 5 W)",
        ),
        (
            {"floor_l1_drop_w": 86.0, "floor_l2_drop_w": 90.0},
            "L1 and L2 fall 86 W and 90 W below their usual overnight minimum, right is a few watts",
        ),
        ({}, "the overnight minimum falls by 6 W on L1 and 5 W on L2, right is a few watts"),
    ],
)
def test_the_overnight_minimum(changed: dict[str, Any], told: str) -> None:
    assert FLOORS.tell(right_home() | changed) == f"one night in ten {told}"

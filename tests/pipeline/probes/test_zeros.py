"""What lost signal says of each leg."""

from __future__ import annotations

from typing import Any

import pytest
from scored_homes import right_home

from pipeline.probes.zeros import ZEROS

LIVES = "while the rest of the home draws power"


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        (
            {"lone_zero_l2_share": 0.39, "tiny_l2_share": 0.97},
            f"lost signal: L2 zero in 39 % of intervals {LIVES} and near zero in 97 % of intervals"
            " (right is hardly ever)",
        ),
        (
            {"lone_zero_l2_share": 0.048, "drop_l2_day": 1.26},
            f"lost signal: L2 zero in 5 % of intervals {LIVES} and 1.3 dropouts a day (right is hardly ever)",
        ),
        ({}, f"L1 and L2 read zero in under 1 % of intervals {LIVES}, right is hardly ever"),
        (
            {"lone_zero_l1_share": 0.0, "lone_zero_l2_share": 0.0},
            f"L1 and L2 never read zero {LIVES}, right is hardly ever",
        ),
        # nothing beside a single leg tells whether the home lives
        (
            {"zero_l2_share": None, "lone_zero_l1_share": None, "lone_zero_l2_share": None},
            "L1 reads zero in under 1 % of intervals, right is hardly ever",
        ),
    ],
)
def test_lost_signal(changed: dict[str, Any], told: str) -> None:
    assert ZEROS.tell(right_home() | changed) == told

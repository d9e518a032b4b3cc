"""What day against night says, and the production channel."""

from __future__ import annotations

from typing import Any

import pytest
from scored_homes import right_home

from pipeline.probes.daylight import DAYLIGHT, PRODUCTION

AT_LOADS = {
    "slope_expected": 0.0, "pv_corr_l1": -0.1, "pv_corr_l2": -0.1, "day_l1_negative_share": 0.0,
    "day_l2_negative_share": 0.0,
}  # fmt: skip


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"pv_corr_l1": 0.6}, "L1 rises with PV by day (correlation +0.60, right is below 0)"),
        ({}, "by day the correlation with PV is L1 −0.83 and L2 −0.83, right is below 0"),
        (AT_LOADS, "by day the correlation with PV is L1 −0.10 and L2 −0.10, right is near 0"),
        (
            AT_LOADS | {"day_l2_negative_share": 0.61},
            "L2 reads below zero in 61 % of daylight intervals (right is never)",
        ),
        (
            AT_LOADS | {f"{name}_{leg}{end}": value for leg in ("l1", "l2")
                        for name, end, value in (("pv_corr", "", -0.5), ("day", "_negative_share", 0.6))},
            "L1 and L2 fall as PV rises (correlation −0.50 and −0.50, right is near 0) and read below zero in 60 % and"
            " 60 % of daylight intervals (right is never)",
        ),
        (
            {"zero_l2_dark_share": 0.621},
            "L2 reads zero in 62 % of intervals without sun (right is hardly ever)",
        ),
        (
            {"slope_expected": None},
            "by day the correlation with PV is L1 −0.83 and L2 −0.83, right is not in the site record",
        ),
    ],
)  # fmt: skip
def test_day_against_night(changed: dict[str, Any], told: str) -> None:
    assert DAYLIGHT.tell(right_home() | changed) == told


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({}, "centred 0.2 h after solar noon, none of it without sun (right is near noon and none)"),
        (
            {"pv_noon_h": -6.0, "pv_dark_share": 0.4},
            "centred 6.0 h before solar noon (far from it: the clock, or another channel), 40 % of it without sun"
            " (right is near noon and none)",
        ),
        (
            {"pv_noon_h": None, "pv_dark_live_share": 1.0},
            "live in 100 % of intervals without sun (right is never)",
        ),
    ],
)
def test_the_production_channel(changed: dict[str, Any], told: str) -> None:
    assert PRODUCTION.tell(right_home() | changed) == f"production is {told}"

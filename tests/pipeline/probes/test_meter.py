"""What the utility meter says of each leg."""

from __future__ import annotations

from datetime import date
from typing import Any

import pytest
from scored_homes import right_home

from pipeline.probes.meter import METER


@pytest.mark.parametrize(
    ("changed", "told"),
    [
        ({"meter_gain_l1": 0.5}, "L1 reads half of what it should: 0.50 times, right is 1.00 (L2 0.99)"),
        (
            {"meter_gain_l1": 2.0, "meter_gain_l2": 2.02},
            "L1 and L2 read twice what they should: 2.00 and 2.02 times, right is 1.00",
        ),
        ({"meter_gain_l2": -1.01}, "L2 reads with the wrong sign: −1.01 times, right is 1.00 (L1 1.00)"),
        ({"meter_gain_l1": 0.78}, "L1 reads too little: 0.78 times, right is 1.00 (L2 0.99)"),
        ({"meter_gain_l1": 1.3}, "L1 reads too much: 1.30 times, right is 1.00 (L2 0.99)"),
        # too uncertain to be called wrong
        ({"meter_gain_l1": 1.3, "meter_l1_se": 0.2}, "L1 and L2 read what they should: 1.30 and 0.99 times"),
    ],
)
def test_each_leg_against_the_utility_meter(changed: dict[str, Any], told: str) -> None:
    assert METER.tell(right_home() | changed).startswith(f"by the utility meter {told}")


def test_a_meter_from_a_file_says_until_when_it_goes_and_how_far_its_clock_is_off() -> None:
    file = {"meter_by": "utility file", "from_on": date(2026, 5, 16), "meter_offset_min": 0}
    row = right_home() | file | {"meter_to_on": date(2026, 3, 1)}

    assert METER.tell(row).startswith(
        "by the utility meter until 2026-03-01 L1 and L2 read what they should: "
    )
    assert METER.tell(row | {"meter_to_on": date(2026, 6, 1), "meter_offset_min": -60}).startswith(
        "by the utility meter (its clock is 60 min behind the readings') L1 and L2 read"
    )
    assert METER.tell(row | {"meter_by": "rows"}).startswith("by the utility meter L1 and L2 read")

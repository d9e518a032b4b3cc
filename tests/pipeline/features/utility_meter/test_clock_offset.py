"""The clock of a meter is found where it is off, and never where it isn't."""

from __future__ import annotations

import numpy as np
import pytest
from metered_homes import Metered

from pipeline.core.settings import load_settings
from pipeline.features.utility_meter.clock_offset import clock_offset_min, tried_shifts
from pipeline.features.utility_meter.series import home_hours, meter_series

LEFT = load_settings().utility.offset_left


def offset_of(home: Metered, minutes: int, late_min: int, **gains: float) -> int:
    meter = meter_series(home.meter(minutes, late_min))
    assert meter is not None
    return clock_offset_min(meter, home_hours(home.hours(**gains)), LEFT)


@pytest.mark.parametrize(
    ("minutes", "late_min"),
    [(15, 0), (15, 15), (15, -15), (15, 90), (60, 0), (60, 60), (60, -60), (60, -420), (15, 660), (60, 1440)],
)
def test_the_offset_of_a_meter_is_found(minutes: int, late_min: int) -> None:
    assert offset_of(Metered.drawn(14), minutes, late_min) == late_min


@pytest.mark.parametrize("gains", [{"gain_l1": -1.0}, {"gain_l1": 0.0}, {"gain_l1": 2.0, "gain_l2": 2.0}])
def test_a_faulty_ct_is_no_offset(gains: dict[str, float]) -> None:
    assert [offset_of(Metered.drawn(14, seed), 60, 0, **gains) for seed in range(20)] == [0] * 20


def test_a_meter_that_has_nothing_to_do_with_the_home_gets_no_offset() -> None:
    found = []
    for seed in range(20):
        meter = meter_series(Metered.drawn(14, 100 + seed).meter(60))
        assert meter is not None
        found.append(clock_offset_min(meter, home_hours(Metered.drawn(14, seed).hours()), LEFT))
    assert found == [0] * 20


def test_own_steps_are_tried_some_hours_far_and_whole_hours_a_day_far() -> None:
    shifts = tried_shifts(15)

    assert 0 in shifts
    assert np.diff(shifts).min() == 15
    assert (shifts[0], shifts[-1]) == (-1440, 1440)
    assert len(tried_shifts(60)) == 49

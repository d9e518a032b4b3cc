"""Numbers that no right install shows contradict one, whatever else is said; ordinary ones and doubtful ones don't."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scored_homes import homes, unseen_fleet, varied

from pipeline.probes import names_of
from pipeline.probes.measured import all_quantities, measure
from pipeline.scoring.contradiction import Contradiction, contradictions
from pipeline.scoring.model import Model
from pipeline.scoring.normal import Normal, Spread, measure_deviations, observe_spreads, shrink_spreads

NAMES = names_of(2)


def found(normal: Normal, *rows: dict[str, Any]) -> Contradiction:
    signals = homes(rows)
    measured = measure(signals)
    return contradictions(measured, measure_deviations(measured, normal), normal, signals=signals)


@pytest.fixture(scope="module")
def normal(model: Model) -> Normal:
    return unseen_fleet(model).normal


def named(told: Contradiction) -> list[str | None]:
    return [NAMES[probe] if probe >= 0 else None for probe in told.probe.tolist()]


ODD = {
    "twice the sun": ({"gain_l1": 1.96, "gain_l2": 1.96, "gain_sum": 1.96}, "sun"),
    "half the sun": ({"gain_l2": 0.5}, "sun"),
    "turned": ({"gain_l1": -1.0, "gain_sum": 0.0}, "sun"),
    "a quarter by the meter": ({"meter_gain_l1": 0.25, "meter_gain_l2": 0.25}, "meter"),
    "four times by the meter": ({"meter_gain_l1": 3.98, "meter_gain_l2": 3.96}, "meter"),
    "the meter counts against it": ({"meter_gain_l1": -1.0}, "meter"),
    "negative all night": ({"night_l1_negative_share": 1.0}, "nights"),
    "negative in most of the night": ({"night_l1_negative_share": 0.64, "night_l2_negative_share": 0.73}, "nights"),
}  # fmt: skip


@pytest.mark.parametrize(("row", "probe"), ODD.values(), ids=list(ODD))
def test_a_number_that_no_right_install_shows_contradicts_one(
    row: dict[str, Any], probe: str, normal: Normal
) -> None:
    told = found(normal, row, {})

    assert named(told) == [probe, None]
    assert told.is_there.tolist() == [True, False]
    assert told.strength[0].max() > 1 > told.strength[1].max()


def test_ordinary_homes_contradict_nothing(normal: Normal) -> None:
    signals = varied(300, seed=4)
    measured = measure(signals)

    told = contradictions(measured, measure_deviations(measured, normal), normal, signals=signals)

    assert not told.is_there.any()


def test_a_number_with_a_large_error_contradicts_nothing(normal: Normal) -> None:
    """The same gain, known to the hundredth or hardly at all."""
    sure, doubtful = {"gain_l2": 0.5, "gain_l2_se": 0.02}, {"gain_l2": 0.5, "gain_l2_se": 0.5}

    assert named(found(normal, sure, doubtful)) == ["sun", None]


def test_what_is_not_declared_has_no_right_to_be_held_against(normal: Normal) -> None:
    unknown = {
        "is_declared_upstream": None,
        "expected_gain": None,
        "gain_l1": 0.0,
        "gain_l2": 0.0,
        "gain_sum": 0.0,
    }

    assert named(found(normal, unknown)) == [None]


def test_a_battery_that_nobody_reports_silences_sun_and_night_but_not_the_meter(normal: Normal) -> None:
    hidden = {"is_battery_hidden": True}

    told = found(
        normal,
        {**hidden, "gain_l1": 0.5, "gain_l2": 0.5, "gain_sum": 0.5},
        {**hidden, "night_l1_negative_share": 1.0},
        {**hidden, "meter_gain_l1": 0.25},
    )

    assert named(told) == [None, None, "meter"]


def test_the_farthest_number_is_the_one_that_is_named(normal: Normal) -> None:
    told = found(normal, {"gain_l2": 0.5, "meter_gain_l1": 0.02}, {"gain_l2": -9.0, "meter_gain_l1": 0.6})

    assert named(told) == ["meter", "sun"]


def test_where_a_fleets_own_homes_lie_so_far_out_it_is_no_contradiction(model: Model) -> None:
    """In a fleet whose right homes scatter by half a gain, half the sun is nothing to call out."""
    rng = np.random.default_rng(1)
    rough = homes(
        [
            {"gain_l1": one, "gain_l2": two, "gain_sum": (one + two) / 2}
            for one, two in rng.normal(1, 0.5, (400, 2))
        ]
    )
    normal = shrink_spreads(observe_spreads(measure(rough)), model.shipped_normal)

    assert named(found(normal, {"gain_l2": 0.5})) == [None]
    assert named(found(unseen_fleet(model).normal, {"gain_l2": 0.5})) == ["sun"]


def test_heavy_tails_of_the_fleet_widen_the_limit(normal: Normal) -> None:
    key = ("meter.log_gain", "upstream")
    limits = {
        tail: {**normal, key: Spread(0.0, 0.1, 500, tail=tail)} for tail in (1.0, 3.0)
    }  # fmt: skip
    far = {"meter_gain_l1": float(np.exp(-0.6)), "meter_l1_se": 0.0}

    assert named(found(limits[1.0], far)) == ["meter"]
    assert named(found(limits[3.0], far)) == [None]


def test_only_quantities_with_a_right_or_none_needed_decide() -> None:
    deciding = {key for key, _, quantity in all_quantities() if quantity.decides is not None}

    assert deciding >= {"sun.gain", "sun.gain_sum", "meter.log_gain", "nights.negative_share"}

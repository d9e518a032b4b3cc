"""Soft comparisons by hand: 1 on the spot, 0 far away, null where the error says nothing."""

from __future__ import annotations

import math

import polars as pl
import pytest

from pipeline.match import (
    above,
    alike,
    below,
    between,
    by_leg,
    cancels,
    inside,
    near,
    negative,
    one_conductor,
    only_if,
    outside,
    positive,
)


def value(expression: pl.Expr, **columns: float | None) -> float | None:
    """The expression over one row."""
    frame = pl.DataFrame({name: pl.Series([held], dtype=pl.Float64) for name, held in columns.items()})
    return frame.select(expression.alias("value"))["value"][0]


def test_near_is_one_on_the_spot_and_falls_with_the_distance() -> None:
    assert value(near("x", -1.0, "se"), x=-1.0, se=0.0) == 1
    falling = [value(near("x", -1.0, "se"), x=-1.0 + off, se=0.02) for off in (0.0, 0.05, 0.1, 0.3, 1.0, 2.0)]
    assert falling == sorted(falling, reverse=True)
    assert falling[0] > 0.98
    assert falling[-1] < 0.02
    assert value(near("x", 0.0, "se"), x=0.2, se=0.05) == value(near("x", 0.0, "se"), x=-0.2, se=0.05)
    wide = value(near("x", 0.0, "se", tolerance=0.3), x=0.2, se=0.05)
    assert wide > value(near("x", 0.0, "se", tolerance=0.05), x=0.2, se=0.05)


def test_an_unsure_value_says_less_both_ways() -> None:
    for compare, yes, no in (
        (near("x", 0.0, "se"), 0.0, 1.0),
        (between("x", -1.0, 1.0, "se"), 0.0, 3.0),
        (outside("x", -1.0, 1.0, "se"), 3.0, 0.0),
    ):
        sure, unsure = (value(compare, x=yes, se=se) for se in (0.01, 0.2))
        assert sure > unsure > 0.5
        sure, unsure = (value(compare, x=no, se=se) for se in (0.01, 0.2))
        assert sure < unsure < 0.5


@pytest.mark.parametrize(("x", "se"), [(1.0, None), (None, 0.1), (1.0, 0.26), (None, None)])
def test_an_unknown_or_unsure_value_cannot_tell(x: float | None, se: float | None) -> None:
    for compare in (near("x", 1.0, "se"), between("x", 0.0, 2.0, "se"), outside("x", 0.0, 2.0, "se")):
        assert value(compare, x=x, se=se) is None


def test_steps_are_half_at_their_middle() -> None:
    assert value(above("x", 2.0, 0.5), x=2.0) == 0.5
    assert value(above("x", 2.0, 0.5), x=3.5) == pytest.approx(0.9526, abs=1e-4)
    assert value(below("x", 2.0, 0.5), x=3.5) == pytest.approx(0.0474, abs=1e-4)
    assert value(above("x", 0.0, 1e-6), x=1e9) == pytest.approx(1)
    assert value(below("x", 0.0, 1.0), x=None) is None
    assert value(above(pl.col("x") * 2, 2.0, 0.5), x=1.0) == 0.5


def test_between_and_outside_are_each_others_rest() -> None:
    within, beyond = between("x", 0.2, 0.8, "se"), outside("x", 0.2, 0.8, "se")

    assert value(within, x=0.5, se=0.02) > 0.95
    assert value(within, x=0.2, se=0.05) == pytest.approx(0.5, abs=0.01)
    assert value(within, x=1.2, se=0.02) < 0.05
    assert value(within, x=0.7, se=0.1) + value(beyond, x=0.7, se=0.1) == pytest.approx(1)


@pytest.mark.parametrize(
    ("x", "expected"), [(1.0, 1.0), (0.86, 0.5), (1.15, 0.5), (0.82, 0.05), (1.19, 0.05), (None, None)]
)
def test_inside_is_half_at_either_end_and_level_between(x: float | None, expected: float | None) -> None:
    """The class of clamps and meter as limits: nothing between them is more right than another."""
    found = value(inside("x", 0.86, 1.15, 0.013), x=x)

    assert found == (expected if expected is None else pytest.approx(expected, abs=0.01))
    assert value(inside("x", 0.86, 1.15, 0.013), x=0.95) == pytest.approx(1, abs=0.01)


def test_alike_within_errors() -> None:
    assert value(alike("a", "b", "sa", "sb"), a=1.0, b=1.0, sa=0.1, sb=0.1) == 1
    assert value(
        alike("a", "b", "sa", "sb", tolerance=0.12), a=0.0, b=0.13, sa=0.05, sb=0.0
    ) == pytest.approx(math.exp(-0.5))
    assert value(alike("a", "b", "sa", "sb"), a=1.0, b=None, sa=0.1, sb=0.1) is None


def test_signs_of_a_z() -> None:
    assert value(positive("z"), z=0.0) == value(negative("z"), z=0.0) == 0.5
    assert value(positive("z"), z=6.0) == pytest.approx(0.982, abs=1e-3)
    assert value(negative("z"), z=-6.0) == pytest.approx(0.982, abs=1e-3)


def test_only_if_is_null_where_the_condition_fails_or_is_unknown() -> None:
    judged = only_if(pl.col("n") >= 10, pl.lit(0.7))

    assert value(judged, n=12.0) == 0.7
    assert value(judged, n=3.0) is None
    assert value(judged, n=None) is None


@pytest.mark.parametrize(
    ("one", "two", "expected"),
    [
        (1.0, 0.0, {"l1": 1.0, "l2": 0.0, "both": 0.0}),
        (1.0, 1.0, {"l1": 0.0, "l2": 0.0, "both": 1.0}),
        (0.8, None, {"l1": 0.8, "l2": None, "both": None}),
        (None, None, {"l1": None, "l2": None, "both": None}),
    ],
)
def test_a_judgement_is_spread_over_one_leg_the_other_and_both(
    one: float | None, two: float | None, expected: dict[str, float | None]
) -> None:
    legs = by_leg(lambda leg: pl.col(leg))

    assert {leg: value(judged, l1=one, l2=two) for leg, judged in legs.items()} == expected
    assert set(by_leg(lambda leg: pl.col(leg), has_both=False)) == {"l1", "l2"}


MIRRORED = {
    "night_l1_w": 200.0, "night_l1_low_w": 60.0, "night_l1_high_w": 2100.0,
    "night_l2_w": -200.0, "night_l2_low_w": -2100.0, "night_l2_high_w": -60.0,
    "night_sum_low_w": -12.0, "night_sum_high_w": 12.0,
}  # fmt: skip
# The steps of two legs of a home, as far from mirrored as can be.
OWN_STEPS = {
    "mirror_share": 0.0, "step_corr_night": 0.0, "active_steps": 500.0,
    "mirror_day_share": 0.0, "step_corr_day": 0.0, "active_day_steps": 500.0,
}  # fmt: skip
MIRRORED_STEPS = {**OWN_STEPS, "mirror_share": 0.98, "mirror_day_share": 0.98}


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ({}, 1.0),
        ({"night_sum_high_w": 100.0}, 1.0),  # two clamps in class around one conductor
        ({"night_sum_high_w": 1500.0}, 0.0),
        ({"night_sum_low_w": -1500.0}, 0.0),
        ({"night_l1_w": 30.0, "night_l2_w": -30.0}, None),  # little current: nothing to cancel
        ({"night_sum_high_w": None, "night_sum_low_w": None}, None),
    ],
)
def test_legs_cancel_if_low_middle_and_high_of_their_nights_do(
    given: dict[str, float | None], expected: float | None
) -> None:
    found = value(cancels(), **{**MIRRORED, **given})

    assert found == (expected if expected is None else pytest.approx(expected, abs=0.1))


def test_one_conductor_is_told_by_levels_and_else_by_steps() -> None:
    apart = {"night_sum_low_w": -1500.0, "night_sum_high_w": 1500.0}
    small = {"night_l1_w": 30.0, "night_l2_w": -30.0}

    assert value(one_conductor(), **MIRRORED, **OWN_STEPS) > 0.9
    assert value(one_conductor(), **{**MIRRORED, **apart}, **MIRRORED_STEPS) < 0.1
    assert value(one_conductor(), **{**MIRRORED, **small}, **MIRRORED_STEPS) > 0.9
    assert value(one_conductor(), **{**MIRRORED, **small}, **OWN_STEPS) < 0.1

"""Calibration on families that were left out: overconfident log odds are drawn in, right ones left alone."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from sklearn.metrics import average_precision_score

from pipeline.learning.calibration import HeldOut, calibrate, score_log_odds

RATE = 0.05


def family(
    name: str, homes: int, seed: int, *, slope: float = 1.0, offset: float = 0.0, shift: float = 3.0
) -> HeldOut:
    """Homes at even odds whose evidence is told `slope` times too loud and `offset` too high."""
    rng = np.random.default_rng(seed)
    is_faulty = np.arange(homes) % 2 == 0
    seen = rng.normal(np.where(is_faulty, shift, 0.0), 1.0)
    true = shift * seen - shift**2 / 2
    return slope * true + offset, is_faulty, np.ones(homes), name


def test_log_odds_that_are_right_are_left_alone() -> None:
    slope, intercept, _ = calibrate([family("a", 20_000, 1), family("b", 20_000, 2)], RATE)

    assert slope == pytest.approx(1.0, abs=0.08)
    assert intercept == pytest.approx(0.0, abs=0.15)


@pytest.mark.parametrize(("loud", "high"), [(2.0, 0.0), (1.0, 1.2), (1.6, -0.8)])
def test_a_classifier_that_is_too_sure_or_too_alarmed_is_put_right(loud: float, high: float) -> None:
    said = [family("a", 20_000, 1, slope=loud, offset=high), family("b", 20_000, 2, slope=loud, offset=high)]

    slope, intercept, _ = calibrate(said, RATE)

    assert slope == pytest.approx(1 / loud, abs=0.08)
    assert intercept == pytest.approx(-high / loud, abs=0.2)


def test_slope_and_offset_keep_their_limits() -> None:
    wild = [family("a", 4000, 1, slope=20.0)]
    shy = [family("a", 4000, 1, slope=0.1)]

    assert calibrate(wild, RATE)[0] == 0.3
    assert calibrate(shy, RATE)[0] == 1.5


def test_families_count_alike_however_many_homes_they_have() -> None:
    """A hundred times the homes in one family don't outvote the other."""
    few, many = family("few", 2000, 1, slope=2.0), family("many", 2000, 2)
    again: HeldOut = (np.tile(many[0], 5), np.tile(many[1], 5), np.tile(many[2], 5), many[3])

    assert calibrate([few, again], RATE)[:2] == pytest.approx(calibrate([few, many], RATE)[:2], abs=1e-3)


def test_one_family_unlike_all_others_moves_the_slope_by_little() -> None:
    """The middle part is taken: neither the wildest nor the easiest decides for fleets that nobody has seen."""
    usual = [family(name, 2000, seed, slope=1.0 + 0.05 * seed) for seed, name in enumerate("abc")]
    wild = family("wild", 2000, 9, slope=4.0)

    without, beside = calibrate(usual, RATE)[0], calibrate([*usual, wild], RATE)[0]

    assert beside == pytest.approx(without, abs=0.1)


def test_each_part_says_what_it_would_have_asked_for() -> None:
    slope, _, marks = calibrate([family("calm", 4000, 1), family("wild", 4000, 2, slope=4.0)], RATE)

    assert marks["wild"]["own_slope"] < slope < marks["calm"]["own_slope"]


def test_each_family_has_its_marks() -> None:
    *_, marks = calibrate([family("easy", 6000, 1, shift=5.0), family("hard", 6000, 2, shift=1.0)], RATE)

    assert set(marks) == {"easy", "hard"}
    assert marks["easy"]["average_precision"] > 0.9 > marks["hard"]["average_precision"]
    assert marks["easy"]["log_loss"] < marks["hard"]["log_loss"]
    assert 0 <= marks["easy"]["false_alarm_share"] <= 0.01


def test_without_a_family_left_out_nothing_is_known() -> None:
    assert calibrate([], RATE) == (1.0, 0.0, {})


def test_marks_are_those_of_weighed_homes() -> None:
    log_odds = np.array([2.0, 1.0, -1.0, -2.0])
    is_faulty: NDArray[np.bool_] = np.array([True, False, True, False])
    weight = np.array([1.0, 3.0, 1.0, 1.0])

    told = score_log_odds(log_odds, is_faulty, weight)

    chance = 1 / (1 + np.exp(-log_odds))
    loss = -np.log(np.where(is_faulty, chance, 1 - chance))
    assert told["log_loss"] == pytest.approx(weight @ loss / weight.sum(), abs=1e-5)
    assert told["false_alarm_share"] == 0.75
    precision = average_precision_score(is_faulty, log_odds, sample_weight=weight)
    assert told["average_precision"] == pytest.approx(precision, abs=1e-4)

"""A crew's interval: Wilson's where all was inspected, and honest about what wasn't."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import special
from statsmodels.stats.proportion import proportion_confint

from pipeline.core.binomial_intervals import Z
from pipeline.core.settings import load_settings
from pipeline.crews.crew_rate import CrewLikelihood, falls_through
from pipeline.crews.fleet import FleetFit, Installs, fit_fleet
from pipeline.evaluation.crew_recovery.synthetic_fleet import Scenario, draw_fleet

FLEET = 0.1


def crew(found: list[float], evidence: list[float], doubt: float = 0.0) -> CrewLikelihood:
    """One crew with inspected homes (`found`) and others (their log likelihood ratios)."""
    homes = len(found) + len(evidence)
    is_known = np.arange(homes) < len(found)
    told = np.r_[np.zeros(len(found)), evidence]
    installs = Installs(
        np.zeros(homes, int), 1, special.expit(told + special.logit(FLEET)), is_known,
        np.r_[found, np.zeros(len(evidence))], np.ones((homes, 1)), np.zeros(homes), FLEET,
    )  # fmt: skip
    base = np.full(homes, special.logit(FLEET))
    columns = np.column_stack([np.ones(homes), told])
    fit = FleetFit(
        told, base, np.eye(1), np.zeros(1), np.ones(1), np.zeros(2), np.eye(2) * doubt, columns,
        is_known * 0.0, FLEET, 1,
    )  # fmt: skip
    return CrewLikelihood(installs, fit, base)


def rates(likelihood: CrewLikelihood) -> list[float]:
    return [float(special.expit(special.logit(FLEET) + u[0])) for u in likelihood.interval()]


@pytest.mark.parametrize(("faults", "homes"), [(0, 20), (1, 29), (15, 148), (81, 263), (9, 9)])
def test_inspected_homes_give_wilsons_interval(faults: int, homes: int) -> None:
    found = rates(crew([1.0] * faults + [0.0] * (homes - faults), []))

    assert found == pytest.approx(
        [faults / homes, *proportion_confint(faults, homes, method="wilson")], abs=1e-9
    )


def test_a_home_whose_data_say_nothing_adds_nothing() -> None:
    alone, beside = crew([1.0, 0, 0, 0, 0], []), crew([1.0, 0, 0, 0, 0], [0.0] * 40)

    assert rates(beside) == pytest.approx(rates(alone), abs=1e-6)


def test_a_home_whose_data_leave_no_doubt_is_as_good_as_inspected() -> None:
    data, visits = crew([], [25.0] * 3 + [-25.0] * 17), crew([1.0] * 3 + [0.0] * 17, [])

    assert rates(data) == pytest.approx(rates(visits), abs=1e-6)


def test_the_best_rate_is_the_top_of_the_likelihood() -> None:
    told = crew([1.0, 0, 0, 0, 0, 0, 0, 0], [3.0, 1.0, -1.0, -2.0, -3.0, -2.5])
    grid = np.linspace(-3, 3, 2001)

    top = grid[np.argmax(told.log_likelihood(grid)[0])]

    assert told.interval()[0][0] == pytest.approx(top, abs=0.004)


def test_doubt_about_the_likelihoods_widens_the_interval_of_those_not_inspected_only() -> None:
    evidence = [4.0] * 5 + [-3.0] * 60
    sure, unsure = rates(crew([], evidence)), rates(crew([], evidence, doubt=0.5))

    assert unsure[0] == pytest.approx(sure[0])
    assert unsure[1] < sure[1] < sure[2] < unsure[2]
    inspected = [1.0] * 5 + [0.0] * 60
    assert rates(crew(inspected, [], doubt=0.5)) == pytest.approx(rates(crew(inspected, [])))
    grid = np.linspace(-2, 2, 50)
    flat = crew([], evidence, doubt=0.5).log_likelihood(grid)
    assert np.ptp(flat) < np.ptp(crew([], evidence).log_likelihood(grid))


def test_a_doubt_that_all_crews_share_moves_none_against_the_fleet() -> None:
    one = crew([], [4.0] * 5 + [-3.0] * 60, doubt=0.5)

    relative = replace(one, is_relative=True)

    assert relative.sums(np.zeros(1))[1] == pytest.approx(
        crew([], [4.0] * 5 + [-3.0] * 60).sums(np.zeros(1))[1]
    )


@pytest.fixture(scope="module")
def fleet() -> CrewLikelihood:
    """The crews of an invented fleet, of whose homes some were visited."""
    own = load_settings().crews
    homes = draw_fleet(Scenario(), np.random.default_rng(5), own.most_weight).homes
    fit = fit_fleet(homes, own)
    return CrewLikelihood(homes, fit, fit.hardness, has_case_mix=True)


def halved(fleet: CrewLikelihood, low: np.ndarray, high: np.ndarray, side: float) -> np.ndarray:
    """Where score / sd falls through side x 1.96 between low and high, by plain halving."""
    for _ in range(50):
        middle = (low + high) / 2
        score, variance, _ = fleet.sums(middle)
        above = score > -side * Z * np.sqrt(variance)
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return (low + high) / 2


def test_few_steps_lead_where_many_halvings_do(fleet: CrewLikelihood) -> None:
    best, low, high = fleet.interval()
    far = np.full(best.size, 12.0)

    wanted = halved(fleet, -far, far, 0.0)
    assert np.isneginf(best).sum() == 3  # no fault at all there
    assert best == pytest.approx(np.where(wanted < 1e-9 - 12, -np.inf, wanted), abs=1e-11)
    assert np.isfinite([low, high]).mean() > 0.9
    for side, end in ((-1.0, low), (1.0, high)):
        has = np.isfinite(end)
        inner, outer = np.where(has, np.maximum(best, -12), 0), np.where(has, end + side * 0.25, 0)
        found = halved(fleet, np.minimum(inner, outer), np.maximum(inner, outer), side)
        assert end[has] == pytest.approx(found[has], abs=1e-11)


def test_crews_held_against_each_other_are_all_at_their_ends_together(fleet: CrewLikelihood) -> None:
    relative = replace(fleet, is_relative=True)
    _, low, high = relative.interval()

    for side, end in ((-1.0, low), (1.0, high)):
        has = np.isfinite(end)
        score, variance, _ = relative.sums(np.where(has, end, 0.0))
        assert (score / np.sqrt(variance))[has] == pytest.approx(np.full(has.sum(), -side * Z), abs=1e-9)


def test_a_value_that_does_not_fall_through_is_at_the_end_it_points_to() -> None:
    rise = np.array([3.0, 0.5, -3.0])

    found = falls_through(lambda u: rise - u, np.full(3, -1.0), np.full(3, 1.0))

    assert found == pytest.approx([1.0, 0.5, -1.0])
    assert falls_through(lambda u: u, np.empty(0), np.empty(0)).size == 0

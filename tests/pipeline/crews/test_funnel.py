"""Control limits against the test they belong to, statsmodels, and fleets of crews that are all alike."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from pipeline.crews.funnel import (
    LIMITS,
    SEEN,
    outside_from,
    over_dispersion,
    seen_ratio,
    tails,
)


def test_tails_are_mid_p_of_the_binomial() -> None:
    faults = np.arange(0, 11.0)
    found = tails(faults, np.full(11, 10.0), 0.2)

    above = stats.binom.sf(faults, 10, 0.2) + stats.binom.pmf(faults, 10, 0.2) / 2
    assert found == pytest.approx(np.minimum(1, 2 * np.minimum(above, 1 - above)), abs=1e-9)
    assert tails(np.zeros(1), np.zeros(1), 0.2) == [1]


@pytest.mark.parametrize("share", LIMITS)
def test_a_crew_beyond_a_drawn_limit_is_one_that_the_tails_call_outside(share: float) -> None:
    level, side = 2 * min(share, 1 - share), 1 if share > 0.5 else -1
    homes = np.array([20.0, 47.6, 60, 200, 1500])
    limits = outside_from(share, homes, 0.0743)
    has_limit = (limits > 1e-6) & (limits < 1 - 1e-6)

    beyond, within = (tails((limits + side * step) * homes, homes, 0.0743) for step in (1e-6, -1e-6))

    assert has_limit[-2:].all()
    assert (beyond[has_limit] < level).all()
    assert (within[has_limit] > level).all()
    assert np.all(np.diff(side * limits) <= 0)  # narrower with more homes


def test_crews_all_alike_are_outside_as_often_as_the_limits_say() -> None:
    rng = np.random.default_rng(2)
    homes = rng.integers(40, 200, 20_000).astype(float)
    p_values = tails(rng.binomial(homes.astype(int), 0.12).astype(float), homes, 0.12)

    assert np.mean(p_values < 0.05) == pytest.approx(0.05, abs=0.006)
    assert np.mean(p_values < 0.002) == pytest.approx(0.002, abs=0.001)


@pytest.mark.parametrize(("homes", "rate"), [(60, 0.05), (60, 0.1), (200, 0.08)])
def test_a_crew_that_errs_as_often_as_would_be_seen_is_outside_in_nine_of_ten(
    homes: int, rate: float
) -> None:
    ratio = float(seen_ratio(np.array([float(homes)]), rate, 0.05)[0])
    first = int(np.ceil(outside_from(0.975, np.array([float(homes)]), rate)[0] * homes))

    outside = [stats.binom.sf(at - 1, homes, ratio * rate) for at in (first, first - 1)]  # whole counts jump

    assert outside[0] < SEEN <= outside[1]
    assert ratio > 1.8


def test_few_homes_would_show_nothing() -> None:
    assert np.isnan(seen_ratio(np.array([0.0, 0.4]), 0.1, 0.05)).all()


def test_phi_is_about_1_by_luck_and_more_where_crews_differ() -> None:
    rng = np.random.default_rng(4)
    homes = np.full(400, 150.0)
    alike = over_dispersion(rng.binomial(150, 0.1, 400).astype(float), homes, 0.1, winsor_share=0.1)
    apart = over_dispersion(
        rng.binomial(150, rng.beta(4, 36, 400)).astype(float), homes, 0.1, winsor_share=0.1
    )

    assert alike.phi == pytest.approx(0.8, abs=0.15)  # winsorised: a little below 1
    assert alike.p_value > 0.05
    assert apart.phi > 2
    assert apart.p_value < 1e-6


def test_one_crew_far_out_does_not_make_the_rest_look_apart() -> None:
    faults, homes = np.array([10.0, 9, 11, 10, 12, 8, 10, 11, 9, 60]), np.full(10, 100.0)

    assert over_dispersion(faults, homes, 0.1, winsor_share=0.1).phi < 1
    assert over_dispersion(faults, homes, 0.1, winsor_share=0.0).phi > 10
    assert over_dispersion(faults[:2], homes[:2], 0.1, winsor_share=0.1).phi == 1

"""One fit over the fleet: what it does with inspected homes, with likelihoods, and with likelihoods that are off."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import special

from pipeline.core.setting_sections import CrewSettings
from pipeline.core.settings import load_settings
from pipeline.crews.estimates import estimate
from pipeline.crews.fleet import Installs, fit_fleet
from pipeline.evaluation.crew_recovery.synthetic_fleet import Scenario, draw_fleet

OWN = load_settings().crews


def settings(**values: float) -> CrewSettings:
    return OWN.model_copy(update=values)


def inspected(seed: int, homes: int = 600) -> Installs:
    """A fleet in which every home was inspected."""
    rng = np.random.default_rng(seed)
    columns = np.column_stack([np.ones(homes), rng.random(homes) < 0.4])
    found = (rng.random(homes) < special.expit(columns @ [-2.0, 0.9])).astype(float)
    nothing = np.full(homes, np.nan)
    return Installs(
        rng.integers(0, 6, homes), 6, nothing, np.ones(homes, bool), found, columns, np.zeros(homes), 0.05
    )


def test_inspected_homes_give_the_logistic_regression_of_statsmodels() -> None:
    homes = inspected(1)

    fit = fit_fleet(homes, settings(case_sd=1e3, level_sd=1e3, crew_sd=1e-3))

    wanted = sm.Logit(homes.found, homes.columns).fit(disp=False)
    assert special.expit(fit.hardness) == pytest.approx(wanted.predict(homes.columns), abs=1e-4)
    assert fit.fleet_rate == homes.found.mean()


def test_a_hard_position_is_not_taken_for_a_bad_crew() -> None:
    rng = np.random.default_rng(4)
    crew = np.repeat([0, 1], 2000)
    is_hard = rng.random(4000) < np.where(crew == 0, 0.85, 0.15)
    found = (rng.random(4000) < np.where(is_hard, 0.3, 0.1)).astype(float)
    columns = np.column_stack([np.ones(4000), is_hard, ~is_hard]).astype(float)
    nothing = np.full(4000, np.nan)

    told = estimate(
        Installs(crew, 2, nothing, np.ones(4000, bool), found, columns, np.zeros(4000), 0.05),
        np.ones(2, bool),
        OWN,
    )

    assert told.rate.value[0] > 2 * told.rate.value[1]
    assert told.ratio.value == pytest.approx([1, 1], abs=0.1)
    assert np.ptp(told.fair.mean) < 0.03


@pytest.mark.parametrize("worked_out_for", [0.02, 0.08, 0.3])
def test_the_evidence_of_all_homes_tells_the_rate_whatever_share_likelihoods_were_worked_out_for(
    worked_out_for: float,
) -> None:
    drawn = draw_fleet(Scenario(visit_share=0.0), np.random.default_rng(2), OWN.most_weight)
    homes = drawn.homes
    moved = homes.log_odds + special.logit(worked_out_for) - special.logit(homes.base_rate)
    alone = replace(
        homes, is_known=np.zeros(homes.crew.size, bool), weight=homes.weight * 0,
        likelihood=special.expit(moved), base_rate=worked_out_for,
    )  # fmt: skip

    fit = fit_fleet(alone, OWN)

    assert fit.fleet_rate == pytest.approx(drawn.is_wrong.mean(), rel=0.1)
    assert abs(np.log(alone.likelihood.mean() / fit.fleet_rate)) > 0.2 or worked_out_for == 0.08
    assert fit.calibration == pytest.approx([0, 0])
    assert np.sqrt(np.diag(fit.calibration_cov)) == pytest.approx([OWN.offset_sd, OWN.stretch_sd])


def test_homes_that_say_next_to_nothing_leave_the_rate_where_it_was() -> None:
    drawn = draw_fleet(Scenario(crews=4, visit_share=0.0), np.random.default_rng(5), OWN.most_weight)
    size = drawn.homes.crew.size
    dull = replace(
        drawn.homes, is_known=np.zeros(size, bool), weight=np.zeros(size), likelihood=np.full(size, 0.045),
        base_rate=0.05,
    )  # fmt: skip

    assert 0.01 < fit_fleet(dull, OWN).fleet_rate < 0.05


def test_visits_tell_that_likelihoods_are_too_bold() -> None:
    drawn = draw_fleet(Scenario(crews=60, visit_share=0.3), np.random.default_rng(3), OWN.most_weight)
    true = drawn.homes
    bold = replace(true, likelihood=special.expit(1.6 * (true.log_odds + 2.4) - 2.4))

    honest, corrected = fit_fleet(true, OWN), fit_fleet(bold, OWN)

    assert honest.calibration[1] == pytest.approx(0, abs=0.12)
    assert corrected.calibration[1] == pytest.approx(1 / 1.6 - 1, abs=0.12)
    assert corrected.fleet_rate == pytest.approx(drawn.chance.mean(), rel=0.1)
    assert bold.likelihood.mean() != pytest.approx(drawn.chance.mean(), rel=0.03)


def test_a_fleet_without_a_fault_and_one_without_homes_have_estimates_too() -> None:
    clean = replace(inspected(1, 90), found=np.zeros(90))
    told = estimate(clean, np.ones(6, bool), OWN)
    assert told.rate.value == pytest.approx(np.zeros(6), abs=1e-4)
    assert np.all(told.fair.high < 0.2)

    empty = np.empty(0)
    nobody = Installs(empty.astype(int), 2, empty, empty.astype(bool), empty, np.ones((0, 1)), empty, 0.05)
    none = estimate(nobody, np.zeros(2, bool), OWN)
    assert none.worth.tolist() == [0, 0]
    assert np.all(np.isfinite(none.fair.mean))

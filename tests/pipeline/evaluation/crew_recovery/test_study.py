"""The study measures what it says, on few fleets; the command measures on many."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from rich.console import Console

from pipeline.commands.crew_recovery import fairness
from pipeline.core.settings import load_settings
from pipeline.evaluation.crew_recovery import study as study_module
from pipeline.evaluation.crew_recovery.replicate import replicate
from pipeline.evaluation.crew_recovery.results import Measure, measure_scenario
from pipeline.evaluation.crew_recovery.study import SCENARIOS, run_study
from pipeline.evaluation.crew_recovery.synthetic_fleet import Scenario, draw_fleet

SETTINGS = load_settings()
CREW_SETTINGS = SETTINGS.crews


def test_a_drawn_fleet_has_the_rate_asked_for_and_likelihoods_that_hold() -> None:
    drawn = draw_fleet(Scenario(crews=300), np.random.default_rng(1), CREW_SETTINGS.most_weight)
    likelihood = drawn.homes.likelihood

    assert drawn.chance.mean() == pytest.approx(0.08, abs=1e-6)
    for low, high in ((0, 0.02), (0.02, 0.1), (0.1, 0.5), (0.5, 0.9), (0.9, 1)):
        some = (likelihood >= low) & (likelihood < high)
        doubt = 3 * np.sqrt(likelihood[some].mean() * (1 - likelihood[some].mean()) / some.sum())
        assert drawn.is_wrong[some].mean() == pytest.approx(likelihood[some].mean(), abs=doubt)


def test_visits_go_where_the_list_sends_them_or_anywhere() -> None:
    def found(is_listed: bool) -> float:
        homes = draw_fleet(
            Scenario(is_listed=is_listed), np.random.default_rng(2), CREW_SETTINGS.most_weight
        ).homes
        return float(homes.found[homes.is_known].mean())

    assert found(True) > 0.35
    assert found(False) < 0.2


def test_a_bad_crew_errs_three_times_as_often_on_the_fleets_installs() -> None:
    spec = Scenario(first_homes=60, first_factor=3.0, rate=0.1)
    drawn = draw_fleet(spec, np.random.default_rng(3), CREW_SETTINGS.most_weight)
    rate = 1 / (1 + np.exp(-(drawn.hardness + drawn.effect[0])))

    assert rate.mean() == pytest.approx(0.3, abs=1e-6)
    assert np.sum(drawn.homes.crew == 0) == 60


def test_a_trained_crew_errs_less_from_then_on_and_only_it() -> None:
    spec = Scenario(first_homes=200, first_factor=2.0, trained=0.35)
    drawn = draw_fleet(spec, np.random.default_rng(3), CREW_SETTINGS.most_weight)
    moved = np.log(drawn.chance / (1 - drawn.chance)) - drawn.hardness - drawn.effect[drawn.homes.crew]
    is_trained = drawn.is_late & (drawn.homes.crew == 0)

    assert moved == pytest.approx(np.where(is_trained, np.log(0.35), 0.0))
    assert 80 < is_trained.sum() < 120


def test_rates_hold_on_a_few_fleets() -> None:
    told = [replicate(Scenario(crews=10), np.random.default_rng(seed), CREW_SETTINGS) for seed in range(6)]

    def mean(key: str) -> float:
        return float(np.mean([values[key] for values in told]))

    assert all(mean(key) > 0.87 for key in ("rate", "shrunk", "ratio", "fair", "unseen"))
    assert abs(mean("bias")) < 0.015
    assert mean("visits only") > 0.25
    assert mean("fair error") < 0.6 * mean("raw error")


def test_a_crew_three_times_as_bad_is_seen_and_a_training_that_helped_too() -> None:
    bad = [
        replicate(SCENARIOS["bad crew, 10 %"], np.random.default_rng(seed), CREW_SETTINGS)
        for seed in range(8)
    ]
    taught = replace(SCENARIOS["trained"], first_homes=300, trained=0.1)
    better = [replicate(taught, np.random.default_rng(seed), CREW_SETTINGS) for seed in range(4)]

    assert np.mean([values["outside"] for values in bad]) > 0.7
    assert np.mean([values["stands out"] for values in bad]) > 0.2
    assert [values["fell"] for values in better] == [1.0] * 4


def measures(name: str, **values: list[float]) -> dict[str, Measure]:
    told = {key: np.array(numbers, dtype=float) for key, numbers in values.items()}
    return {row.name: row for row in measure_scenario(name, SCENARIOS[name], told)}


RATES = {key: [0.95, 0.94] for key in ("rate", "shrunk", "ratio", "fair", "unseen", "weighted", "wilson")}
RATES |= {
    "bias": [0.001, -0.001],
    "visits only": [0.3, 0.4],
    "fair error": [1.0, 1.0],
    "raw error": [4.0, 2.0],
}
FLAGS = {"inner": [0.05, 0.04], "outer": [0, 0], "any": [0, 0], "standing": [4, 2], "wrong side": [0, 0]}


def test_measures_say_what_was_wanted_and_whether_it_was_met() -> None:
    met = {row.is_met for row in measures("list-driven", **RATES, **FLAGS).values()}
    worse = measures(
        "random", **RATES | {"fair": [0.8, 0.82], "fair error": [2, 2]}, **FLAGS | {"wrong side": [3, 3]}
    )

    assert met == {True, None}
    assert [row.name for row in worse.values() if row.is_met is False] == [
        "coverage: fair rate",
        "squared error, fair / unadjusted rate",
        "crews called worse that are better, or the reverse",
    ]
    assert worse["crews called worse that are better, or the reverse"].value == 1.0


def test_alarms_above_their_level_and_crews_not_seen_are_told() -> None:
    alike = measures("all alike", **RATES, **FLAGS | {"inner": [0.09, 0.09], "outer": [0, 0.01]})
    seen = {"stands out": [1, 0], "all inspected": [1, 1]}
    bad = measures("bad crew, 8 %", outside=[1.0] * 17 + [0.0] * 3, **seen)
    vain = measures("trained in vain", training=[1.0] * 19 + [0.0], changed=[1.0] * 10)
    trained = measures("trained", training=[1.0] * 19 + [0.0], fell=[1.0, 0.0])

    assert [alike[f"outside the {limit} % control limits"].is_met for limit in ("95", "99.8")] == [
        False,
        True,
    ]
    assert [row.is_met for row in bad.values()] == [False, None, None]
    assert [row.is_met for row in vain.values()] == [True, False]
    assert [row.is_met for row in trained.values()] == [True, None]


def test_the_command_prints_the_measures_and_the_same_seed_the_same(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    few = {"list-driven": Scenario(crews=5), "bad crew": Scenario(crews=5, first_homes=60, first_factor=3.0)}
    monkeypatch.setattr(study_module, "SCENARIOS", few)
    monkeypatch.setattr("pipeline.commands.crew_recovery.OutputConsole", lambda: Console(width=200))

    fairness(replications=2, seed=4, workers=1, sites=0)
    printed = capsys.readouterr().out

    for words in (
        "coverage: fair rate",
        "squared error, fair / unadjusted rate",
        "bad crew outside",
        "targets met",
    ):
        assert words in printed
    assert "scored" not in printed
    again = run_study(2, 4, SETTINGS, workers=1, scored_sites=0)
    assert f"{again[0].value:.4f}" in printed

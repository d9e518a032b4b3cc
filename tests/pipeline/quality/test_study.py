"""The study measures what it says, on few fleets; the command measures on many."""

from __future__ import annotations

import numpy as np
import pytest
from rich.console import Console

from pipeline.quality import study as room
from pipeline.quality.command import fairness
from pipeline.quality.study import Results, replicate, study
from pipeline.quality.study_fleet import Fleet, draw_fleet
from pipeline.settings import load_settings

OWN = load_settings().crews


def test_a_drawn_fleet_has_the_rate_asked_for_and_likelihoods_that_hold() -> None:
    drawn = draw_fleet(Fleet(crews=300), np.random.default_rng(1), OWN.most_weight)
    likelihood = drawn.homes.likelihood

    assert drawn.chance.mean() == pytest.approx(0.08, abs=1e-6)
    for low, high in ((0, 0.02), (0.02, 0.1), (0.1, 0.5), (0.5, 0.9), (0.9, 1)):
        some = (likelihood >= low) & (likelihood < high)
        doubt = 3 * np.sqrt(likelihood[some].mean() * (1 - likelihood[some].mean()) / some.sum())
        assert drawn.is_wrong[some].mean() == pytest.approx(likelihood[some].mean(), abs=doubt)


def test_visits_go_where_the_list_sends_them_or_anywhere() -> None:
    def found(is_listed: bool) -> float:
        homes = draw_fleet(Fleet(is_listed=is_listed), np.random.default_rng(2), OWN.most_weight).homes
        return float(homes.found[homes.is_known].mean())

    assert found(True) > 0.35
    assert found(False) < 0.2


def test_a_bad_crew_errs_three_times_as_often_on_the_fleets_installs() -> None:
    drawn = draw_fleet(Fleet(bad_crew=3.0, rate=0.1), np.random.default_rng(3), OWN.most_weight)
    rate = 1 / (1 + np.exp(-(drawn.hardness + drawn.effect[0])))

    assert rate.mean() == pytest.approx(0.3, abs=1e-6)
    assert np.sum(drawn.homes.crew == 0) == 60


def test_rates_hold_on_a_few_fleets() -> None:
    told = [replicate(Fleet(crews=10), np.random.default_rng(seed), OWN).values for seed in range(6)]

    def mean(key: str) -> float:
        return float(np.mean([values[key] for values in told]))

    assert all(mean(key) > 0.87 for key in ("rate", "shrunk", "ratio", "fair"))
    assert abs(mean("bias")) < 0.015
    assert mean("visits only") > 0.25
    assert mean("fair error") < 0.6 * mean("raw error")


def test_measures_say_what_was_wanted_and_whether_it_was_met() -> None:
    values = {key: np.array([0.95, 0.94]) for key in ("rate", "shrunk", "ratio", "fair")}
    values |= {"bias": np.array([0.001, -0.001]), "visits only": np.array([0.3, 0.4])}
    values |= {"fair error": np.array([1.0, 1.0]), "raw error": np.array([4.0, 2.0])}

    met = {row.name: row.is_met for row in Results("list-driven", values).all()}
    worse = Results(
        "list-driven", values | {"fair": np.array([0.8, 0.82]), "fair error": np.array([2.0, 2.0])}
    ).all()

    assert set(met.values()) == {True, None}
    assert [row.name for row in worse if row.is_met is False] == [
        "coverage: fair rate",
        "squared error, fair / raw",
    ]
    flags = {
        key: np.array([1.0] * 17 + [0.0] * 3) for key in ("funnel flags", "many allowed for", "all inspected")
    }
    assert [row.is_met for row in Results("bad 5 %", flags).all()] == [False, None, None]
    alarms = {"inner": np.full(4, 0.09), "outer": np.array([0.0, 0.0, 0.01, 0.0]), "any flag": np.zeros(4)}
    assert [row.is_met for row in Results("all alike", values | alarms).all()[-3:]] == [False, True, None]


def test_the_command_prints_the_measures_and_the_same_seed_the_same(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    few = {"list-driven": Fleet(crews=5), "bad 5 %": Fleet(crews=5, bad_crew=3.0)}
    monkeypatch.setattr(room, "SCENARIOS", few)
    monkeypatch.setattr("pipeline.quality.command.Console", lambda: Console(width=200))

    fairness(replications=2, seed=4, workers=1)
    printed = capsys.readouterr().out

    for words in ("coverage: fair rate", "squared error, fair / raw", "bad crew outside", "targets met"):
        assert words in printed
    again = study(2, 4, OWN, 1, lambda line: None)
    assert f"{again[0].value:.4f}" in printed

"""An interrupted comparison: what all crews did does not count as the training's."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from invented import NIGHT, TRAININGS
from scipy import optimize, special

from pipeline.core.settings import load_settings
from pipeline.crews.fleet import FleetFit, Installs
from pipeline.crews.trainings import FELL, SAME, TOO_FEW, interrupted, training_table

OWN = load_settings().crews
TRAINED = NIGHT - timedelta(days=200)
Cells = dict[tuple[str, bool], tuple[int, int]]
Hard = dict[tuple[str, bool], float]


def told(cells: Cells, topic: str | None = None, share: float = 1.0, hard: Hard | None = None) -> dict:
    """The table's row of ash's training, from (crew, after) -> (faults, installs), all inspected.

    `share` of the faults are of the topic; `hard` (crew, after) -> the share of installs of a kind that fails four
    times as often by its odds, known from the rest of the fleet.
    """
    rows = [
        (crew, TRAINED + timedelta(days=30 + at % 60 if after else -30 - at % 60), float(at < faults),
         float(at % 10 < 10 * (hard or {}).get((crew, after), 0)))
        for (crew, after), (faults, count) in cells.items()
        for at in range(count)
    ]  # fmt: skip
    homes = pl.DataFrame(
        rows,
        schema={"crew_id": pl.String, "commissioned_on": pl.Date, "found": pl.Float64, "hard": pl.Float64},
        orient="row",
    )
    found = homes["found"].to_numpy()
    is_hard = homes["hard"].to_numpy()
    mix = np.column_stack([np.ones(found.size), is_hard])
    middle = optimize.brentq(lambda at: special.expit(at + np.log(4) * is_hard).sum() - found.sum(), -9, 9)
    nothing = np.zeros(found.size)
    installs = Installs(nothing.astype(int), 1, nothing + np.nan, nothing == 0, found, mix, nothing, 0.1)
    fit = FleetFit(
        nothing, middle + np.log(4) * is_hard, np.eye(2), np.zeros(1), np.ones(1), np.zeros(2), np.zeros((2, 2)),
        np.zeros((found.size, 2)), found,
        float(found.mean()), 1,
    )  # fmt: skip
    trainings = pl.DataFrame([("ash", TRAINED, topic)], schema=TRAININGS, orient="row")
    topics = {"reversed": found * (np.arange(found.size) % 10 < 10 * share)}
    return training_table(trainings, homes, installs, fit=fit, topics=topics, settings=OWN).row(0, named=True)


def test_a_rate_that_fell_beside_others_that_stayed() -> None:
    row = told(
        {
            ("ash", False): (30, 100),
            ("ash", True): (8, 100),
            ("oak", False): (60, 400),
            ("oak", True): (60, 400),
        }
    )

    assert (row["installs_before"], row["installs_after"], row["told"]) == (100, 100, FELL)
    assert (row["rate_before"], row["rate_after"], row["others_after"]) == pytest.approx((0.3, 0.08, 0.15))
    assert row["ratio"] == pytest.approx(8 / 30, rel=0.1)
    assert row["ratio_high"] < 1


def test_what_all_crews_did_is_not_the_trainings() -> None:
    row = told(
        {
            ("ash", False): (30, 100),
            ("ash", True): (8, 100),
            ("oak", False): (120, 400),
            ("oak", True): (32, 400),
        }
    )

    assert row["told"] == SAME
    assert row["ratio"] == pytest.approx(1, abs=0.15)


def test_easier_installs_after_it_are_not_the_trainings() -> None:
    cells: Cells = {
        ("ash", False): (68, 200), ("ash", True): (32, 200), ("oak", False): (72, 400), ("oak", True): (72, 400)
    }  # fmt: skip
    mix: Hard = {("ash", False): 0.9, ("ash", True): 0.1, ("oak", False): 0.2, ("oak", True): 0.2}

    assert told(cells)["told"] == FELL
    row = told(cells, hard=mix)
    assert row["told"] == SAME
    assert row["ratio"] == pytest.approx(1, abs=0.25)
    assert told(cells, "reversed", hard=mix)["told"] == SAME  # its own case mix, fitted to this fault


def test_too_few_installs_on_any_side_is_said() -> None:
    row = told(
        {("ash", False): (5, 14), ("ash", True): (0, 60), ("oak", False): (60, 400), ("oak", True): (60, 400)}
    )

    assert (row["told"], row["ratio"], row["installs_before"]) == (TOO_FEW, None, 14)


def test_a_topic_is_about_its_own_fault() -> None:
    cells: Cells = {
        ("ash", False): (30, 100), ("ash", True): (8, 100), ("oak", False): (60, 400), ("oak", True): (60, 400)
    }  # fmt: skip
    row = told(cells, "reversed", share=0.5)

    assert row["rate_before"] == pytest.approx(0.15, rel=1e-3)
    assert row["ratio_high"] - row["ratio_low"] > told(cells)["ratio_high"] - told(cells)["ratio_low"]
    assert told(cells, "dead")["rate_before"] == pytest.approx(0.3)  # no such topic is known: any fault


def test_the_interval_holds_the_truth_as_often_as_it_says() -> None:
    rng = np.random.default_rng(6)
    homes = np.array([60, 50, 600, 500])
    rates = np.array([0.2, 0.1, 0.12, 0.1])
    truth = (rates[1] / rates[0]) / (rates[3] / rates[2])
    held = []
    for _ in range(400):
        _, low, high = interrupted(rng.binomial(homes, rates).astype(float), homes.astype(float), 2000)
        held.append(low <= truth <= high)

    assert np.mean(held) == pytest.approx(0.95, abs=0.025)


def test_no_fault_at_all_still_has_an_interval() -> None:
    value, low, high = interrupted(np.zeros(4), np.array([20.0, 20, 200, 200]), 5000)

    assert low < value < high
    assert low < 0.05
    assert high > 20


def test_no_training_no_row() -> None:
    none = pl.DataFrame(schema=TRAININGS)
    empty = np.empty(0)
    installs = Installs(empty.astype(int), 0, empty, empty.astype(bool), empty, np.ones((0, 1)), empty, 0.1)
    fit = FleetFit(
        empty, empty, np.eye(1), empty, empty, np.zeros(2), np.eye(2), np.ones((0, 2)), empty, 0.0, 1
    )

    assert training_table(none, pl.DataFrame(), installs, fit=fit, topics={}, settings=OWN).is_empty()

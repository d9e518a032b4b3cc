"""The chance that going puts a home right, from the fleet's own visits."""

import polars as pl
import pytest
from scipy import stats

from pipeline.core.settings import load_settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.worklist.fix_success import chances
from pipeline.worklist.prediction_log import SCHEMA

OWN = load_settings().ranking.model_copy(
    update={"chance_visit": 0.8, "chance_office": 0.9, "chance_visits": 10.0, "chance_hold": 20.0}
)


def visits(*groups):
    """(how many, suspected, found, fixed, proof) -> table promise of so many visits each."""
    rows = [
        {"visit_id": f"V{at}-{n}", "fault": fault, "found": found, "fixed": fixed, "proof": proof}
        for at, (count, fault, found, fixed, proof) in enumerate(groups)
        for n in range(count)
    ]
    return pl.DataFrame(rows, schema=SCHEMA)


def told(promise, fault=None, way="visit"):
    match = pl.col("fault").is_null() if fault is None else pl.col("fault") == fault
    return chances(promise, CATALOGUE, OWN).filter(match, pl.col("fix_by") == way).row(0, named=True)


@pytest.mark.parametrize("none", [None, visits()])
def test_before_any_visit_the_settings_speak(none):
    assert told(none)["chance"] == pytest.approx(0.8)
    assert told(none, "dead")["chance"] == pytest.approx(0.8)
    assert told(none, way="office")["chance"] == pytest.approx(0.9)


def test_the_fleet_moves_the_prior_and_a_fault_moves_the_fleet():
    promise = visits(
        (27, "reversed", "reversed", True, "proved right"), (3, "dead", "dead", True, "still wrong")
    )
    fleet = (8 + 27) / (10 + 30)
    assert told(promise)["chance"] == pytest.approx(fleet)
    assert told(promise, "reversed")["chance"] == pytest.approx((20 * fleet + 27) / 47)
    assert told(promise, "dead")["chance"] == pytest.approx(20 * fleet / 23)
    assert told(promise, "partial")["chance"] == pytest.approx(fleet)


def test_a_fault_that_was_left_is_a_failure_and_an_open_proof_is_neither():
    promise = visits((2, "dead", "dead", False, None), (5, "dead", "dead", True, None))
    assert (told(promise)["settled"], told(promise)["succeeded"]) == (2, 0)


def test_a_sound_home_or_another_cause_says_nothing_of_fixing():
    promise = visits((4, "dead", "sound", False, None), (4, "dead", "other", True, "proved right"))
    assert told(promise)["settled"] == 0


def test_a_visit_counts_for_what_was_suspected_since_that_chose_what_to_bring():
    promise = visits((3, "dead", "partial", False, None), (1, None, "partial", True, "proved right"))
    assert told(promise, "dead")["settled"] == 3
    assert told(promise, "partial")["settled"] == 1


def test_the_interval_is_the_posteriors():
    promise = visits((6, "dead", "dead", True, "proved right"), (4, "dead", "dead", False, None))
    row = told(promise)
    assert (row["chance_low"], row["chance_high"]) == pytest.approx(stats.beta(8 + 6, 2 + 4).interval(0.9))


def test_the_desk_learns_from_its_own():
    promise = visits((10, "wrong_ratio", "wrong_ratio", True, "still wrong"))
    assert told(promise, way="office")["chance"] == pytest.approx(9 / 20)
    assert told(promise)["chance"] == pytest.approx(0.8)


def test_rat_tumours_of_the_71st_group():
    # Tarone 1982; Gelman et al., Bayesian Data Analysis ch. 5: prior beta(1.3561, 8.6151), 4 of 14: mean 0.2234.
    own = OWN.model_copy(update={"chance_visit": 1.3561 / 9.9712, "chance_visits": 9.9712})
    promise = visits((4, "dead", "dead", True, "proved right"), (10, "dead", "dead", False, None))
    table = chances(promise, CATALOGUE, own).filter(pl.col("fault").is_null(), pl.col("fix_by") == "visit")
    assert table["chance"].item() == pytest.approx(0.2234, abs=5e-5)

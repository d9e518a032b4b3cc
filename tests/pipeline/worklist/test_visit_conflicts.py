"""Visits whose record the data since contradict."""

from datetime import date, timedelta

import polars as pl
import pytest

from pipeline.core.contract import Visit
from pipeline.worklist.visit_conflicts import SCHEMA, visit_doubts

VISIT = date(2026, 6, 1)


def doubts(found, fixed, outcome, verdict, likelihood, is_held=False, proof=None, from_on=None, nights=9):
    row = {
        "visit_id": "V1",
        "site_id": "A",
        "visited_on": VISIT,
        "crew_id": "C1",
        "found": found,
        "fixed": fixed,
    }
    earlier = row | {"visit_id": "V0", "visited_on": VISIT - timedelta(days=40)}
    visits = pl.DataFrame([earlier, row], schema=pl.Schema(Visit))
    standing = pl.DataFrame(
        [{"site_id": "A", "last_visit_on": VISIT, "outcome": outcome, "is_held": is_held, "fault": "reversed",
          "proof": proof, "proof_told": "the numbers"}],
        schema_overrides={"proof": pl.String},
    )  # fmt: skip
    first = VISIT + timedelta(days=1) if nights else None  # without rows there is no first day
    scores = pl.DataFrame(
        [{"site_id": "A", "verdict": verdict, "likelihood": likelihood,
          "fault_likelihoods": {"reversed": 0.9 * likelihood, "sound": 1 - likelihood}, "nights": nights,
          "from_on": from_on or first, "evidence": "negative all night"}],
        schema_overrides={"from_on": pl.Date},
    )  # fmt: skip
    told = visit_doubts(visits, standing, scores)
    assert told.schema == SCHEMA
    return told.select("visit_id", "doubt").rows()


def test_found_sound_but_still_a_suspect_for_the_same():
    assert doubts("sound", False, "sound", "suspect", 0.97, is_held=True) == [
        (
            "V1",
            "the data since still show a fault, CT reversed: 87 % this fault, 97 % any fault: negative all night",
        )
    ]


def test_said_to_be_fixed_but_it_is_not():
    assert doubts("reversed", True, "fixed", "suspect", 0.97, proof="still wrong") == [
        ("V1", "recorded as fixed, but the data since show that it is not: the numbers")
    ]


def test_left_unfixed_but_right_since():
    assert doubts("dead", False, "open", "sound", 0.01) == [
        ("V1", "recorded as not fixed, but the data since look right: negative all night")
    ]


@pytest.mark.parametrize(
    "case",
    [
        ("sound", False, "sound", "sound", 0.01),
        ("reversed", True, "fixed", "sound", 0.01, False, "proved right"),
        ("dead", False, "open", "suspect", 0.9),
        ("other", False, "other", "unproven", 0.4, True),
    ],
)
def test_a_record_that_the_data_agree_with_is_not_in_doubt(case):
    assert doubts(*case) == []


def test_days_without_a_quiet_night_contradict_too():
    """Where leads are exchanged with production no night is quiet enough to count as one."""
    day_after = VISIT + timedelta(days=1)
    assert (
        len(doubts("sound", False, "sound", "suspect", 0.97, is_held=True, nights=0, from_on=day_after)) == 1
    )


def test_data_of_before_the_visit_contradict_nothing():
    assert doubts("sound", False, "sound", "suspect", 0.97, is_held=True, from_on=VISIT) == []
    assert doubts("sound", False, "sound", "suspect", 0.97, is_held=True, nights=0) == []

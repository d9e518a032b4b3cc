"""`nightclamp explain` of a home with an open safety call: the call first, and never that nothing is to be done."""

from __future__ import annotations

from datetime import date
from typing import Any

import polars as pl
from example_safety import call

from pipeline.commands.explain_text import tell_home
from pipeline.core.contract import FAULTS
from pipeline.report import safety_words
from pipeline.report.fault_cards import fault_cards
from pipeline.worklist.home_events import SCHEMA
from pipeline.worklist.home_status_text import Reason

SCORE = {
    "area": "North", "crew_id": "C1", "likelihood": 0.004, "verdict": "safety", "ct_verdict": "sound",
    "suspected_fault": None, "leg": None, "fault_likelihoods": dict.fromkeys((*FAULTS, "sound"), 0.0),
    "onset_on": None, "is_clock_suspect": False, "clock_offset_h": None, "evidence": "nights as they should be",
    "onset_evidence": None, "unproven_why": None, "likely_fault": "reversed", "contradiction": None,
    "contradiction_probe": None, "record_cause": None, "record_likelihood": 0.0,
}  # fmt: skip
STANDING = {
    "standing": "not listed", "standing_since": date(2026, 6, 2), "reason": Reason.SAFETY_CALL, "nights_listed": 0,
    "cause": "safety call (call now), no CT work before it is cleared", "last_visit_on": None,
    "first_listed_on": None, "nights_listed_all": 0, "proof": None, "proof_told": None,
}  # fmt: skip
LISTED = {
    "rank": 3, "priority": 87.4, "suspected_fault": "reversed", "leg": "both", "fix_by": "visit", "bring": "a meter",
    "minutes_on_site": 25, "kwh_per_day_wrong": 24.0, "also_possible": None, "kwh_so_far": 721.2, "days_so_far": 30,
    "kwh_so_far_low": 640.0, "kwh_so_far_high": 780.0, "kwh_read_so_far": 900.0, "since": None,
    "so_far_from": date(2026, 5, 16), "so_far_to": date(2026, 6, 14),
    "value_gain": 200.0, "value_cost": 80.6, "value_regret": 32.0, "break_even": 0.311, "is_above_cut": True,
    "desk_change": None, "desk_proof": None,
}  # fmt: skip


def told(listed: dict[str, Any] | None = None, measured: str | None = "L1 by 2.5 V") -> str:
    """The page of text on one line."""
    weights = pl.DataFrame(schema={
        "site_id": pl.String, "ordinal": pl.Int64, "probe": pl.String, "label": pl.String, "state": pl.String,
        "value": pl.Float64, "weight": pl.Float64, "sentence": pl.String, "strength": pl.String,
        "which_weight": pl.Float64, "which_against": pl.String,
    })  # fmt: skip
    text = tell_home(
        "A", SCORE, weights, listed=listed, standing=STANDING, card=fault_cards()["reversed"],
        events=pl.DataFrame(schema=SCHEMA), call=call("A", measured=measured),
    )  # fmt: skip
    assert max(len(line) for line in text.splitlines()) <= 100
    return " ".join(text.split())


def test_a_home_with_sound_cts_is_told_as_a_safety_call() -> None:
    text = told()
    likely = "under 1 % likely to have any CT install fault now, sound."
    parts = (
        f"SAFETY CALL: a suspected loose service neutral. Its CTs: {likely}",
        "Status call now, since 2026-06-12. No call is recorded. The data show it.",
        safety_words.summary(),
        "Data L1 by 2.5 V.",
        *safety_words.CALLS,
        *safety_words.HANDS_OFF,
        safety_words.GOVERN,
        "Suspected, not found Nothing: no CT fault; the safety call stands.",
        "What to do The safety call above, and nothing else before it is cleared.",
    )
    places = [text.index(part) for part in parts]
    assert places == sorted(places)
    assert "look right" not in text
    assert "not on the list" not in text


def test_a_listed_home_keeps_its_work_but_after_the_call() -> None:
    text = told(LISTED)
    assert text.index("The safety call above, and nothing else before it is cleared.") < text.index("Rank 3")


def test_a_call_that_only_the_register_knows_has_no_numbers() -> None:
    assert " Data " not in told(measured=None)

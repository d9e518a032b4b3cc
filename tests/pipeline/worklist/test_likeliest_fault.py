"""The likeliest fault of each home."""

import polars as pl

from pipeline.core.contract import FAULTS
from pipeline.worklist.likeliest_fault import fault_names, likely_faults


def scores(suspected, leg, shares, **more):
    spread = dict.fromkeys((*FAULTS, "sound"), 0.0) | shares
    row = {"site_id": "A", "suspected_fault": suspected, "leg": leg, "fault_likelihoods": spread} | more
    return pl.DataFrame([row], schema_overrides={"leg": pl.String})


def test_it_is_never_sound():
    low = scores("sound", None, {"sound": 0.9, "dead": 0.06, "reversed": 0.04})
    assert likely_faults(low).rows() == [("A", "dead", None)]


def test_it_takes_its_leg_along_where_scoring_told_it():
    low = scores("sound", None, {"sound": 0.9, "dead": 0.1}, likely_leg="l2")
    assert likely_faults(low).rows() == [("A", "dead", "l2")]
    high = scores("reversed", "l1", {"sound": 0.1, "reversed": 0.9})
    assert likely_faults(high).rows() == [("A", "reversed", "l1")]


def test_of_equal_ones_the_first_of_the_contract():
    even = scores("sound", None, {"sound": 0.4, "wrong_scope": 0.3, "same_leg": 0.3})
    assert fault_names(even) == list(FAULTS)
    assert likely_faults(even)["fault"].item() == "same_leg"

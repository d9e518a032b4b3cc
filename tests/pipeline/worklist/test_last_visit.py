"""What the last visit to a home left, and what was worked on."""

from datetime import date, timedelta

import polars as pl

from pipeline.core.contract import Visit
from pipeline.worklist.last_visit import last_visits, worked_on

DAY = date(2026, 6, 1)


def visits(*rows):
    told = [
        {"visit_id": f"V{at}", "site_id": "A", "visited_on": DAY + timedelta(days=at), "found": found, "fixed": fixed,
         "leg": leg}
        for at, (found, fixed, leg) in enumerate(rows)
    ]  # fmt: skip
    return pl.DataFrame(told, schema=pl.Schema(Visit))


def outcome(found, fixed):
    return last_visits(visits((found, fixed, None)), DAY)["outcome"].item()


def test_what_a_visit_leaves():
    assert outcome("sound", False) == "sound"
    assert outcome("sound", True) == "sound"
    assert outcome("dead", True) == "fixed"
    assert outcome("dead", None) == "open"
    assert outcome("other", False) == "other"
    assert outcome("other", True) == "fixed"


def test_the_last_visit_counts_and_one_of_tomorrow_is_not_known():
    both = visits(("dead", False, "l1"), ("dead", True, "l1"))
    assert last_visits(both, DAY)["outcome"].item() == "open"
    assert last_visits(both, DAY + timedelta(days=1))["outcome"].item() == "fixed"


def scores(fault):
    return pl.DataFrame({"site_id": ["A"], "likely_fault": [fault]})


def test_what_was_found_was_worked_on_else_what_was_suspected():
    found = last_visits(visits(("dead", True, "l2")), DAY)
    assert worked_on(found, None, scores("partial")).rows() == [("A", DAY, "dead", "l2")]
    other = last_visits(visits(("other", True, None)), DAY)
    before = pl.DataFrame({"site_id": ["A"], "fault": ["reversed"]})
    assert worked_on(other, before, scores("partial"))["fault"].item() == "reversed"
    assert worked_on(other, None, scores("partial"))["fault"].item() == "partial"


def test_only_homes_said_to_be_put_right_were_worked_on():
    assert worked_on(last_visits(visits(("dead", False, "l2")), DAY), None, scores("dead")).is_empty()

"""The list's visits as a plan needs them: in the list's order, with both likelihoods, and the kits of their orders."""

import polars as pl
from dispatch_homes import publish_night, settings, stops
from example_safety import call

from pipeline.dispatch.listed_visits import TABLES, read_stops, safety_calls, stop_kits
from pipeline.dispatch.plan import STOPS
from pipeline.workorder.tables import read_latest


def test_only_visits_in_the_lists_order_with_the_named_faults_likelihood(tmp_path) -> None:
    publish_night(
        tmp_path, {"fault_likelihood": 0.3}, {"fault_likelihood": 0.7}, {"suspected_fault": "reversed"}
    )
    _, night = read_latest(tmp_path / "out", TABLES)
    shuffled = dict(night) | {"revisit_list": night["revisit_list"].reverse()}
    register = night["sites"].head(2)  # the last home has left the lake's register
    listed = read_stops(shuffled, register)
    assert listed.schema == STOPS
    assert listed.select("site_id", "likelihood", "fault_likelihood").rows() == [
        ("h0", 0.9, 0.3),
        ("h1", 0.9, 0.7),
        ("h2", 0.9, 0.8),
    ]
    assert listed["latitude"].null_count() == 1


def test_a_home_without_scores_has_no_likelihood(tmp_path) -> None:
    publish_night(tmp_path, {})
    _, night = read_latest(tmp_path / "out", TABLES)
    listed = read_stops(dict(night) | {"site_scores": night["site_scores"].clear()}, night["sites"])
    assert listed["fault_likelihood"].to_list() == [None]


def test_safety_calls_are_of_all_homes_listed_or_not(tmp_path) -> None:
    calls = (call("h0"), call("b"), call("h1", is_open=False))
    publish_night(tmp_path, {}, {}, calls=calls)
    _, night = read_latest(tmp_path / "out", TABLES)
    assert safety_calls(night).rows() == [("b", "call now", None), ("h0", "call now", "north")]


def test_a_home_or_a_fault_that_is_not_known_has_no_kit() -> None:
    listed = stops({}, {"suspected_fault": "no_such_fault"}, {})
    record = {"ct_amps": None, "cts_per_leg": None, "lead_extended": None, "service": None}
    sites = pl.DataFrame([{"site_id": site} | record for site in ("h0", "h1")])
    assert list(stop_kits(listed, sites, settings().orders)) == ["h0"]

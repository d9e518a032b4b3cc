"""What each install counts for: findings, likelihoods from before a visit, and faults that began later."""

from __future__ import annotations

from datetime import date

import numpy as np
import polars as pl
import pytest
from invented import PROMISE, VISITS, scores, sites

from pipeline.core.settings import load_settings
from pipeline.crews.fault_chances import FaultChances
from pipeline.crews.homes import install_homes

OWN = load_settings().crews
COMMISSIONED = date(2026, 5, 1)


def home(site_id: str = "a", likelihood: float = 0.1, **values: object) -> dict:
    return {
        "site_id": site_id,
        "crew_id": "ash",
        "commissioned_on": COMMISSIONED,
        "likelihood": likelihood,
        **values,
    }


def visit(found: str, on: date = date(2026, 6, 1), site_id: str = "a") -> dict:
    return {"visit_id": f"{site_id} {on}", "site_id": site_id, "visited_on": on, "found": found}


def counted(
    homes: list[dict], visits: list[dict] | None = None, promise: list[dict] | None = None
) -> dict[str, dict]:
    table = install_homes(
        scores(homes), sites(homes), pl.DataFrame(visits or [], schema=VISITS),
        promise=pl.DataFrame(promise or [], schema=PROMISE), settings=OWN,
    )  # fmt: skip
    return {row["site_id"]: row for row in table.iter_rows(named=True)}


def test_a_home_nobody_visited_has_its_likelihood() -> None:
    row = counted([home(likelihood=0.9)])["a"]

    assert (row["is_heard"], row["is_judged"], row["is_visited"]) == (True, True, False)
    assert (row["likelihood"], row["is_wrong"], row["month"]) == (0.9, None, "2026-05")


def test_a_visited_home_has_what_was_found_and_the_likelihood_from_before() -> None:
    told = visit("dead")
    row = counted(
        [home(likelihood=0.02)], [told], [{"visit_id": told["visit_id"], "scored_likelihood": 0.8}]
    )["a"]

    assert (row["is_wrong"], row["found"], row["has_promise"], row["likelihood"]) == (True, "dead", True, 0.8)


def test_without_a_promise_on_record_tonights_likelihood_does_not_stand_in() -> None:
    row = counted([home(likelihood=0.02)], [visit("dead")])["a"]

    assert (row["is_wrong"], row["has_promise"], row["likelihood"]) == (True, False, None)


def test_the_first_visit_that_tells_counts_and_another_cause_tells_nothing() -> None:
    visits = [visit("other", date(2026, 5, 20)), visit("dead"), visit("dead", date(2026, 6, 9))]

    assert counted([home()], visits)["a"]["visited_on"] == date(2026, 6, 1)
    assert counted([home(likelihood=0.7)], visits[:1])["a"]["likelihood"] == 0.7


@pytest.mark.parametrize(
    ("onset_on", "commissioned_on", "is_the_crews"),
    [
        (None, COMMISSIONED, True),  # so from the first day
        (None, None, True),
        (date(2026, 5, 4), COMMISSIONED, True),  # within the first days
        (date(2026, 5, 20), COMMISSIONED, False),  # somebody worked in the panel
        (date(2026, 5, 20), None, False),  # seen to begin
    ],
)
def test_only_faults_from_the_first_days_are_the_crews(
    onset_on: date | None, commissioned_on: date | None, is_the_crews: bool
) -> None:
    row = counted([home(likelihood=0.8, onset_on=onset_on, commissioned_on=commissioned_on)])["a"]

    assert row["likelihood"] == (0.8 if is_the_crews else 0)
    assert row["later"] == (0 if is_the_crews else 0.8)


def test_a_fault_found_that_began_later_is_shown_apart() -> None:
    seen_now = counted([home(likelihood=0.9, onset_on=date(2026, 5, 25))], [visit("dead")])["a"]
    told = visit("dead")
    promised = [{"visit_id": told["visit_id"], "scored_likelihood": 0.9, "scored_since": date(2026, 5, 25)}]
    fixed_since = counted([home(likelihood=0.01)], [told], promised)["a"]

    for row in (seen_now, fixed_since):
        assert (row["is_wrong"], row["later"]) == (False, 1)


def test_an_onset_after_the_visit_is_about_something_else() -> None:
    row = counted([home(likelihood=0.9, onset_on=date(2026, 6, 10))], [visit("dead")])["a"]

    assert (row["is_wrong"], row["later"]) == (True, 0)


def test_a_fault_after_a_visit_that_found_the_home_sound_is_a_later_one() -> None:
    again = counted([home()], [visit("sound"), visit("reversed", date(2026, 7, 1))])["a"]
    suspect = counted([home(likelihood=0.9, onset_on=date(2026, 6, 20))], [visit("sound")])["a"]

    assert (again["is_wrong"], again["later"]) == (False, 1)
    assert (suspect["is_wrong"], suspect["later"]) == (False, 0.9)


def test_heard_without_a_verdict_and_not_heard_at_all() -> None:
    homes = [home("a", 0.3, verdict="unproven"), home("b", 0.05, nights=0, verdict="unproven")]

    rows = counted([*homes, home("c", 0.3, verdict="unproven")], [visit("sound", site_id="c")])

    assert [(r["is_heard"], r["is_judged"]) for r in rows.values()] == [
        (True, False),
        (False, False),
        (True, True),
    ]
    assert rows["b"]["likelihood"] is None


def test_which_fault_is_certain_once_found_and_shared_out_before() -> None:
    homes = [home("a"), home("b", 0.6, fault="partial")]
    table = install_homes(
        scores(homes),
        sites(homes),
        pl.DataFrame([visit("dead")], schema=VISITS),
        promise=pl.DataFrame(schema=PROMISE),
        settings=OWN,
    )

    told = FaultChances.of(table, np.array([1.0, 0.4]), scores(homes))

    assert told.rows(0.01).rows() == [("a", "dead", None, True, 1.0), ("b", "partial", None, False, 0.4)]
    assert told.topics()["partial"].tolist() == [0.0, 0.4]
    counted = told.by_crew().filter((pl.col("confirmed_faults") > 0) | (pl.col("expected_faults") > 0))
    assert counted.rows() == [("ash", None, "dead", 1, 0.0), ("ash", None, "partial", 0, 0.4)]

"""How fixes ended, worked out by hand from standings night by night."""

from __future__ import annotations

from datetime import date, timedelta

import polars as pl

from pipeline.evaluation.policy_simulation import fix_outcomes
from pipeline.evaluation.policy_simulation.crew import LEDGER
from pipeline.worklist.fix_verification import DISPROVED, OPEN, PROVED

VISIT = date(2026, 5, 1)
LAST = date(2026, 6, 1)


def ledger(*rows: dict[str, object]) -> pl.DataFrame:
    usual = {
        "found": "dead",
        "fixed": True,
        "by": "truck",
        "true_fault": "dead",
        "is_put_right": True,
        "visited_on": VISIT,
    }
    attempts = [{"visit_id": f"R{n}", **usual, **row} for n, row in enumerate(rows)]
    return pl.DataFrame(attempts, schema=LEDGER)


def standings(site: str, *said: str, visit: date = VISIT, why: str | None = None) -> pl.DataFrame:
    return pl.DataFrame(
        [
            {
                "night": visit + timedelta(days=at), "site_id": site, "last_visit_on": visit, "proof": word,
                "proof_told": f"{at} nights since the visit", "unproven_why": why,
            }
            for at, word in enumerate(said)
        ],
        schema_overrides={"unproven_why": pl.String},
    )  # fmt: skip


def test_a_fix_is_settled_on_the_first_night_that_says_so() -> None:
    found = fix_outcomes.list_fixes(
        ledger({"site_id": "A"}), standings("A", OPEN, OPEN, OPEN, PROVED, PROVED), LAST
    )
    (row,) = found.to_dicts()
    assert (row["said"], row["nights"], row["settled_on"]) == ("proved", 3, date(2026, 5, 4))
    assert row["told"] == "3 nights since the visit"
    assert row["why_open"] is None


def test_only_nights_before_the_next_visit_speak_of_this_one() -> None:
    done = ledger(
        {"site_id": "A", "is_put_right": False},
        {"site_id": "A", "visited_on": VISIT + timedelta(days=3)},
    )
    nights = pl.concat(
        [
            standings("A", OPEN, DISPROVED, DISPROVED),
            standings("A", OPEN, PROVED, visit=VISIT + timedelta(days=3)),
        ]
    )
    found = fix_outcomes.list_fixes(done, nights, LAST)
    assert found["said"].to_list() == ["disproved", "proved"]
    assert found["nights"].to_list() == [1, 1]
    assert found["was_right"].to_list() == [False, True]


def test_an_open_fix_says_why() -> None:
    scale = "nothing proves the scale"
    done = ledger(
        {"site_id": "A"}, {"site_id": "B"}, {"site_id": "C", "visited_on": LAST - timedelta(days=5)}
    )
    nights = pl.concat([
        standings("A", *[OPEN] * 32, why=scale),
        standings("B", *[OPEN] * 32),
        standings("C", *[OPEN] * 6, visit=LAST - timedelta(days=5)),
    ])  # fmt: skip
    found = fix_outcomes.list_fixes(done, nights, LAST).sort("site_id")
    assert found["why_open"].to_list() == [
        scale,
        "the data point one way, but not clearly enough",
        fix_outcomes.TOO_SHORT,
    ]
    assert fix_outcomes.count_open(found)["count"].to_list() == [1, 1, 1]


def test_a_visit_that_left_the_home_as_it_was_needs_no_verification() -> None:
    assert fix_outcomes.list_fixes(
        ledger({"site_id": "A", "fixed": False}), standings("A", OPEN), LAST
    ).is_empty()


def test_quantiles_are_the_nights_within_which_that_share_was_settled() -> None:
    usual = {"by": "truck", "true_fault": "dead", "was_right": True}
    settled = [
        {**usual, "visit_id": f"R{n}", "said": "proved", "nights": n, "was_right": n < 9}
        for n in range(1, 10)
    ]
    fixed = pl.DataFrame([*settled, {**usual, "visit_id": "R10", "said": "open", "nights": None}])
    row = fix_outcomes.summarize_fixes(fixed).row(0, named=True)
    assert (row["count"], row["proved"], row["open"], row["wrong"]) == (10, 9, 1, 1)
    assert (row["median_nights"], row["p90_nights"], row["p90_of_all"]) == (5, 9, 9)
    beyond = fix_outcomes.summarize_fixes(pl.concat([fixed, fixed.filter(pl.col("said") == "open")])).row(
        0, named=True
    )
    assert beyond["p90_of_all"] is None

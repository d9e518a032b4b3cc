"""Who is visited next, by the list and by three simpler ways, on tables written by hand."""

from __future__ import annotations

import ast
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core.settings import load_settings
from pipeline.evaluation.policy_simulation import policies
from pipeline.evaluation.policy_simulation.policies import DESK, RECORDS, TRUCK, Choice, Morning, Published

TODAY = Morning(date(2026, 6, 10), 2, load_settings().rehearsal)
LISTED = pl.DataFrame(
    {
        "rank": [3, 1, 2, 4, 5],
        "site_id": ["C", "A", "B", "D", "E"],
        "fix_by": ["visit", "visit", "office", "visit", "office"],
        "suspected_fault": ["dead", "reversed", "wrong_ratio", "partial", "wrong_scope"],
        "likelihood": [0.9, 0.99, 0.95, 0.8, 0.7],
        "is_above_cut": True,
        "verdict": ["suspect", "suspect", "suspect", "suspect", "unproven"],
    }
)
SCORES = pl.DataFrame(
    {
        "site_id": ["A", "B", "C", "D"],
        "likelihood": [0.7, 0.9, 0.4, 0.9],
        "likely_fault": ["dead", "partial", "dead", "same_leg"],
        "night_l1_negative_share": [0.9, 0.0, 0.6, 0.4],
        "night_l2_negative_share": [0.0, 0.0, 0.9, None],
        "night_l1_w": [-100.0, 50.0, -20.0, -500.0],
        "night_l2_w": [80.0, 50.0, -300.0, None],
    }
)
SITES = pl.DataFrame(
    {"site_id": ["B", "A", "D", "C"], "commissioned_on": [None, None, date(2026, 6, 10), date(2026, 6, 9)]},
    schema_overrides={"commissioned_on": pl.Date},
)
PUBLISHED = Published(LISTED, SCORES, SITES)


def noted(*rows: tuple[str, date, str, str | None]) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema=RECORDS, orient="row")


def homes(choices: list[Choice], by: str = TRUCK) -> list[str]:
    return [choice.site_id for choice in choices if choice.by == by]


def test_the_list_is_taken_from_its_top_trucks_and_desk_apart() -> None:
    chosen = policies.choose_by_list(PUBLISHED, noted(), TODAY)
    assert homes(chosen) == ["A", "C"]
    assert homes(chosen, DESK) == ["B", "E"]
    assert chosen[0] == Choice("A", TRUCK, "reversed", 0.99)


def test_nobody_goes_below_the_cut() -> None:
    cut = Published(LISTED.with_columns(is_above_cut=pl.col("rank") < 3), SCORES, SITES)
    assert [choice.site_id for choice in policies.choose_by_list(cut, noted(), TODAY)] == ["A", "B"]


def test_a_truck_goes_where_the_desk_found_nothing_to_correct() -> None:
    looked = noted(("B", date(2026, 6, 9), DESK, None), ("E", date(2026, 6, 9), DESK, "wrong_scope"))
    chosen = policies.choose_by_list(PUBLISHED, looked, TODAY)
    assert homes(chosen) == ["A", "B"]
    assert homes(chosen, DESK) == ["E"]
    in_vain = policies.choose_by_list(
        PUBLISHED, noted(("E", date(2026, 6, 9), DESK, None)), Morning(TODAY.today, 9, TODAY.settings)
    )
    assert homes(in_vain) == ["A", "C", "D"]  # E is no suspect: not worth a truck for what the desk ruled out
    assert homes(in_vain, DESK) == ["B"]


def test_likelihood_only_takes_the_likeliest_it_was_not_at_lately() -> None:
    assert homes(policies.choose_by_likelihood(PUBLISHED, noted(), TODAY)) == ["B", "D"]
    lately = noted(("B", date(2026, 5, 12), TRUCK, "sound"), ("D", date(2026, 5, 11), TRUCK, "sound"))
    assert homes(policies.choose_by_likelihood(PUBLISHED, lately, TODAY)) == ["D", "A"]


def test_negative_nights_only_takes_the_most_negative_leg_first() -> None:
    chosen = policies.choose_by_negative_nights(PUBLISHED, noted(), TODAY)
    assert homes(chosen) == ["C", "A"]
    assert {choice.reason for choice in chosen} == {"negative nights"}


def test_the_alphabet_goes_round_once_and_to_homes_that_are_there() -> None:
    assert homes(policies.choose_by_alphabet(PUBLISHED, noted(), TODAY)) == ["A", "B"]
    been = noted(("A", date(2025, 1, 1), TRUCK, "sound"))
    assert homes(policies.choose_by_alphabet(PUBLISHED, been, TODAY)) == ["B", "C"]


def test_no_policy_can_look_at_the_truth() -> None:
    """A policy is handed published tables and records; its module knows of neither world nor ledger."""
    tree = ast.parse(Path(policies.__file__).read_text(encoding="utf-8"))
    used = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    assert [
        name
        for name in used
        if name and name.startswith(("pipeline.evaluation.policy_simulation", "pipeline.simulate"))
    ] == []
    assert policies.TABLES == ("revisit_list", "site_scores", "sites")

"""What an earlier run found stands until the new differs by what it errs by."""

from __future__ import annotations

from datetime import timedelta

import polars as pl
import pytest
from corrected_home import START, episode

from pipeline.correction.settled import settle

BEFORE = episode("partial", "l1", gain_l1=0.52, gain_l1_se=0.03, gain_by="answer to production")


def tonight(**values: object) -> dict[str, object]:
    given = {
        "gain_l1": 0.53,
        "gain_l1_se": 0.029,
        "gain_by": "answer to production",
        "likelihood": 0.96,
        **values,
    }
    new = episode("partial", "l1").with_columns(pl.lit(value).alias(name) for name, value in given.items())
    return settle(new, BEFORE, least_likelihood=0.8).row(0, named=True)


def test_small_news_changes_nothing() -> None:
    assert tonight() == BEFORE.row(0, named=True)


def test_a_day_or_two_of_the_beginning_is_small_news() -> None:
    assert tonight(from_on=START.date() + timedelta(days=2))["from_on"] == START.date()


@pytest.mark.parametrize(
    ("values", "column"),
    [
        ({"gain_l1": 0.57}, "gain_l1"),
        ({"gain_l1_se": 0.015}, "gain_l1_se"),
        ({"likelihood": 0.85}, "likelihood"),
        ({"from_on": START.date() + timedelta(days=9)}, "from_on"),
        ({"rival_fault": "loose_core", "rival_likelihood": 0.2}, "rival_fault"),
    ],
)  # fmt: skip
def test_news_is_taken(values: dict[str, object], column: str) -> None:
    assert tonight(**values)[column] == values[column]


def test_crossing_the_least_likelihood_is_news() -> None:
    low = BEFORE.with_columns(likelihood=pl.lit(0.79))
    new = settle(BEFORE.with_columns(likelihood=pl.lit(0.81)), low, least_likelihood=0.8)
    assert new["likelihood"].to_list() == [0.81]


def test_the_first_run_and_another_fault_have_nothing_before() -> None:
    assert settle(BEFORE, None, least_likelihood=0.8).equals(BEFORE)
    other = episode("loose_core", "l1", gain_l1=0.7, gain_l1_se=0.02)
    assert settle(other, BEFORE, least_likelihood=0.8).equals(other)

"""What whoever goes next reads of the visits before."""

from __future__ import annotations

from datetime import date

import polars as pl
import pytest

from pipeline.core.contract import Visit, shared_columns
from pipeline.worklist.earlier_visits import EarlierVisits, earlier_visits, one_line

DAY = date(2026, 6, 1)


def register(*rows: dict[str, object]) -> tuple[pl.DataFrame, pl.DataFrame]:
    visits = pl.DataFrame(
        [{"site_id": "A", "visited_on": DAY, **row} for row in rows], schema=pl.Schema(Visit)
    )
    return visits.select(shared_columns("visits")), visits.select("visit_id", "note")


def standing(outcome: str | None, *, is_listed: bool = True) -> pl.DataFrame:
    return pl.DataFrame({"site_id": ["A"], "outcome": [outcome], "is_listed": [is_listed]})


def read(
    *rows: dict[str, object], with_notes: bool = True, outcome: str | None = None, **most: int
) -> EarlierVisits:
    visits, notes = register(*rows)
    return earlier_visits(visits, notes if with_notes else None, standing(outcome), **{"most": 5} | most)["A"]


def test_the_newest_comes_first_and_the_rest_is_counted() -> None:
    rows = [{"visit_id": f"V{day}", "visited_on": date(2026, 6, day)} for day in (3, 1, 5, 2)]
    past = read(*rows, most=2)
    assert [visit.visited_on.day for visit in past.visits] == [5, 3]
    assert past.more == 2
    assert read(*rows, most=4).more == 0


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ({"found": "reversed", "leg": "l1", "fixed": True}, ("CT reversed, L1", "recorded as fixed")),
        ({"found": "reversed", "leg": "both", "fixed": False}, ("CT reversed, both legs", "not fixed")),
        ({"found": "sound", "fixed": False}, ("no CT fault", "")),
        ({"found": "other", "fixed": True}, ("another cause", "recorded as fixed")),
        ({}, ("nothing recorded", "not fixed")),
    ],
)
def test_a_visit_is_read_in_words(row: dict[str, object], words: tuple[str, str]) -> None:
    (visit,) = read({"visit_id": "V1", **row}).visits
    assert (visit.found, visit.outcome) == words


def test_a_note_is_on_a_line_and_left_out_for_who_may_not_read_it() -> None:
    row = {"visit_id": "V1", "note": " panel cover\nrusted\tshut\u202e "}
    assert read(row).visits[0].note == "panel cover rusted shut"
    assert read(row, with_notes=False).visits[0].note is None
    assert read({"visit_id": "V1"}).visits[0].note is None
    assert read(row, longest=12).visits[0].note == "panel cover…"


@pytest.mark.parametrize("outcome", ["fixed", "open", "sound", "other"])
def test_a_listed_home_says_why_it_is_open_again(outcome: str) -> None:
    assert str(read({"visit_id": "V1"}, outcome=outcome).why_open).startswith("the last visit ")
    visits, notes = register({"visit_id": "V1"})
    kept = earlier_visits(visits, notes, standing(outcome, is_listed=False), most=5)
    assert kept["A"].why_open is None


def test_one_line_says_nothing_of_nothing() -> None:
    assert one_line(None, 5) is None
    assert one_line(" \n", 5) is None

"""A home's standing from night to night, as short stories."""

import pytest
from standing_nights import (
    MONDAY,
    SETTINGS,
    frame,
    frame_visits,
    night,
    planned,
    proofs,
    scored,
    since_visit,
    standings,
    tell,
    visit,
)

from pipeline.worklist.home_status import SCHEMA, next_standing


def test_a_suspect_is_new_then_waits_and_its_nights_are_counted():
    told = tell([(0, scored()), (1, scored()), (2, scored())])
    assert standings(told) == ["new tonight", "waiting", "waiting"]
    assert [row["nights_listed"] for row in told] == [1, 2, 3]
    assert told[2]["listed_since"] == MONDAY
    assert told[2]["standing_since"] == night(1)
    assert told[0]["cause"] == "CT reversed: 90 % this fault, 90 % any fault"


def test_a_night_that_runs_again_gives_the_same_and_a_missed_night_breaks_nothing():
    first = next_standing(
        None,
        frame([scored()]),
        frame_visits(),
        fixes=proofs(),
        plans=planned(),
        as_of=MONDAY,
        settings=SETTINGS,
    )
    once = next_standing(
        first,
        frame([scored()]),
        frame_visits(),
        fixes=proofs(),
        plans=planned(),
        as_of=night(4),
        settings=SETTINGS,
    )
    again = next_standing(
        first,
        frame([scored()]),
        frame_visits(),
        fixes=proofs(),
        plans=planned(),
        as_of=night(4),
        settings=SETTINGS,
    )
    assert once.equals(again)
    assert once["nights_listed"].item() == 5
    with pytest.raises(ValueError, match="not of a night earlier than 2026-06-05"):
        next_standing(
            once,
            frame([scored()]),
            frame_visits(),
            fixes=proofs(),
            plans=planned(),
            as_of=night(4),
            settings=SETTINGS,
        )


def test_a_break_starts_the_count_anew():
    told = tell([(0, scored()), (1, scored(0.25)), (2, scored())])
    assert standings(told) == ["new tonight", "watching the data", "new tonight"]
    assert [row["nights_listed"] for row in told] == [1, 0, 1]
    assert [row["listed_since"] for row in told] == [MONDAY, None, night(2)]


def test_a_home_is_listed_from_where_going_pays_on_and_else_says_so():
    assert standings(tell([(0, scored(0.36))])) == ["new tonight"]
    (told,) = tell([(0, scored(0.4, pays_from=0.71))])
    assert (told["standing"], told["cause"]) == (
        "not listed",
        "40 % any fault; below its break-even likelihood of 71 %",
    )
    (never,) = tell([(0, scored(0.4) | {"priority": -5.0, "break_even": None})])
    assert never["cause"] == "40 % any fault; going would cost more than it brings"
    assert standings(tell([(0, scored(0.6, pays_from=0.71))])) == ["new tonight"]


def test_an_unproven_home_with_few_nights_waits_for_more():
    (told,) = tell([(0, scored(0.4, nights=3))])
    assert (told["standing"], told["cause"]) == (
        "not listed", "40 % any fault; too few nights of data for the list",
    )  # fmt: skip


def test_a_listed_home_does_not_leave_for_a_little():
    told = tell([(0, scored(0.36)), (1, scored(0.33)), (2, scored(0.28)), (3, scored(0.33))])
    assert [row["is_listed"] for row in told] == [True, True, False, False]


def test_a_suspect_found_sound_is_held_also_where_going_would_not_pay():
    row = scored(0.9, from_on=night(2), pays_from=0.95)
    told = tell([(0, scored(0.9)), (2, row)], [visit(night(1), "sound")])
    assert (told[1]["is_listed"], told[1]["is_held"]) == (False, True)


def test_a_fault_found_and_left_stays_listed_whatever_it_is_worth():
    told = tell([(0, scored()), (2, since_visit(1, 0.5, pays_from=0.8))], [visit(night(1), "reversed")])
    assert standings(told)[1] == "visited, not fixed"


def test_faults_that_trade_places_are_one_suspicion():
    swapped = since_visit(1, 0.9, fault="legs_crossed", reversed=0.4)
    told = tell([(0, scored(legs_crossed=0.4)), (2, swapped)], [visit(night(1), "sound")])
    assert standings(told)[1] == "found sound on site"


def test_standings_of_an_older_version_are_read():
    first = next_standing(
        None,
        frame([scored()]),
        frame_visits(),
        fixes=proofs(),
        plans=planned(),
        as_of=MONDAY,
        settings=SETTINGS,
    )
    older = first.drop("first_listed_on", "nights_listed_all", "proof", "planned_on")
    told = tell([(1, scored())], previous=older)
    assert (told[0]["standing"], told[0]["nights_listed_all"], told[0]["first_listed_on"]) == (
        "waiting", 2, MONDAY,
    )  # fmt: skip


def test_a_listed_home_that_falls_silent_is_watched():
    told = tell([(0, scored()), (40, scored(0.05, verdict="unproven", nights=0) | {"from_on": None})])
    assert (told[1]["standing"], told[1]["cause"]) == ("watching the data", "no data in the window")


def test_a_home_beyond_the_lists_end_says_so_and_counts_no_nights():
    """Of three suspects the list takes the two that are worth most."""
    short = SETTINGS.model_copy(update={"ranking": SETTINGS.ranking.model_copy(update={"max_rows": 2})})
    previous, told = None, []
    for number, likelihood in enumerate((0.9, 0.6, 0.25, 0.95)):
        rows = frame([scored(likelihood), *(scored(0.8) | {"site_id": name} for name in "BC")])
        previous = next_standing(
            previous,
            rows,
            frame_visits(),
            fixes=proofs(),
            plans=planned(),
            as_of=night(number),
            settings=short if number < 3 else SETTINGS,
        )
        told.append(previous.row(0, named=True))
    assert standings(told) == [
        "new tonight",
        "beyond the end of the list",
        "watching the data",
        "new tonight",
    ]
    assert [row["nights_listed"] for row in told] == [1, 0, 0, 1]
    assert [row["nights_listed_all"] for row in told] == [1, 1, 1, 2]
    assert (told[1]["is_listed"], told[1]["is_held"], told[1]["fault"]) == (False, False, "reversed")
    assert told[1]["reason"] == "wanted on the list, but beyond its end"
    assert told[1]["cause"] == (
        "CT reversed: 60 % this fault, 60 % any fault; qualifies for the list, which ends after 2 rows"
    )


def test_every_home_has_one_row_of_the_schema_whatever_is_known():
    rows = [scored() | {"site_id": name} for name in "CAB"]
    told = next_standing(
        None, frame(rows), frame_visits(), fixes=proofs(), plans=planned(), as_of=MONDAY, settings=SETTINGS
    )
    assert told["site_id"].to_list() == ["A", "B", "C"]
    assert told.schema == SCHEMA

"""A home's story grows night by night, each event once."""

from datetime import date, timedelta

import polars as pl

from pipeline.core.contract import Visit
from pipeline.worklist.home_events import SCHEMA, next_story
from pipeline.worklist.planned_visits import PLANS

MONDAY = date(2026, 6, 1)


def night(number):
    return MONDAY + timedelta(days=number)


def stands(standing, since, cause="because"):
    return pl.DataFrame(
        {"site_id": ["A"], "standing": [standing], "standing_since": [since], "cause": [cause]}
    )


def visits(*rows):
    return pl.DataFrame([{"site_id": "A", **row} for row in rows], schema=pl.Schema(Visit))


def plans(*rows):
    return pl.DataFrame([("A", *row) for row in rows], schema=PLANS, orient="row")


VISIT = {
    "visit_id": "V1", "visited_on": night(1), "crew_id": "C7", "found": "legs_crossed", "leg": "both", "fixed": True,
    "note": "leads exchanged",
}  # fmt: skip


def lines(story):
    return story.select("happened_on", "told").rows()


def test_every_change_is_told_once_with_its_day_and_cause():
    story = next_story(
        None, stands("new tonight", MONDAY, "90 % likely"), visits(), plans=plans(), as_of=MONDAY
    )
    assert story.schema == SCHEMA
    story = next_story(
        story, stands("waiting", night(1), "no visit since"), visits(), plans=plans(), as_of=night(1)
    )
    story = next_story(
        story, stands("waiting", night(1), "no visit since"), visits(), plans=plans(), as_of=night(2)
    )
    assert lines(story) == [(MONDAY, "new tonight: 90 % likely"), (night(1), "waiting: no visit since")]


def test_a_home_nobody_ever_listed_has_no_story_but_one_that_left_the_list_has():
    assert next_story(None, stands("not listed", MONDAY), visits(), plans=plans(), as_of=MONDAY).is_empty()
    story = next_story(None, stands("new tonight", MONDAY), visits(), plans=plans(), as_of=MONDAY)
    story = next_story(story, stands("not listed", night(3)), visits(), plans=plans(), as_of=night(3))
    assert lines(story)[-1] == (night(3), "not listed: because")


def test_a_visit_and_its_plan_are_told_with_who_found_what():
    plan = plans((night(1), "T2", MONDAY))
    story = next_story(None, stands("visit planned", MONDAY), visits(VISIT), plans=plan, as_of=MONDAY)
    story = next_story(
        story, stands("watching the data", night(3)), visits(VISIT), plans=plan, as_of=night(3)
    )
    assert lines(story) == [
        (MONDAY, "visit planned for 2026-06-02, truck T2"),
        (MONDAY, "visit planned: because"),
        (night(1), "visit V1 by C7: CTs on each other's legs (both legs), recorded as fixed"),
        (night(3), "watching the data: because"),
    ]
    assert story["told_on"].to_list() == [MONDAY, MONDAY, night(3), night(3)]


def test_a_visit_whose_record_changes_is_told_again():
    first = next_story(None, stands("not listed", MONDAY), visits(VISIT), plans=plans(), as_of=night(2))
    changed = next_story(
        first, stands("not listed", MONDAY), visits(VISIT | {"fixed": False}), plans=plans(), as_of=night(4)
    )
    assert [told.split(": ", 1)[1] for _, told in lines(changed)] == [
        "CTs on each other's legs (both legs), recorded as fixed",
        "CTs on each other's legs (both legs), not fixed",
    ]


def test_no_note_is_in_the_shared_story_and_one_of_an_earlier_version_goes():
    earlier = 'visit V1 by C7: CTs on each other\'s legs (both legs), recorded as fixed; note: "ask for Ms X;\n4711"'
    story = next_story(None, stands("not listed", MONDAY), visits(VISIT), plans=plans(), as_of=night(2))
    assert "leads exchanged" not in str(story.to_dicts())
    old = story.with_columns(told=pl.lit(earlier))
    again = next_story(old, stands("not listed", MONDAY), visits(VISIT), plans=plans(), as_of=night(3))
    assert lines(again) == lines(story)


def test_the_same_night_again_gives_the_same_story():
    before = next_story(None, stands("new tonight", MONDAY), visits(), plans=plans(), as_of=MONDAY)
    once = next_story(before, stands("waiting", night(1)), visits(VISIT), plans=plans(), as_of=night(1))
    assert once.equals(
        next_story(before, stands("waiting", night(1)), visits(VISIT), plans=plans(), as_of=night(1))
    )


def test_words_may_change_but_a_visit_is_told_once():
    """The key is made of codes: the words of an event known from an earlier version don't matter."""
    first = next_story(None, stands("not listed", MONDAY), visits(VISIT), plans=plans(), as_of=night(2))
    (key,) = first["key"]
    assert key == "V1 2026-06-02 legs crossed  (both) , said to be put right"
    old = first.with_columns(told=pl.lit("in other words"))
    again = next_story(old, stands("not listed", MONDAY), visits(VISIT), plans=plans(), as_of=night(3))
    assert again["told"].to_list() == ["in other words"]

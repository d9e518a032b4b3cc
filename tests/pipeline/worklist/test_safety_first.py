"""What an open safety call changes elsewhere: the verdict, the list's row, the status and the home's story."""

from __future__ import annotations

from datetime import timedelta

import polars as pl
from example_safety import NIGHT, call, safety_calls
from standing_nights import frame, frame_visits, planned, scored, tell

from pipeline.worklist.home_events import next_story
from pipeline.worklist.safety_call_text import CALL_NOW, CALLED, CLEARED
from pipeline.worklist.safety_first import listed_with_calls, standing_with_calls, with_safety_verdict

OPEN = safety_calls(call("A"), call("B", status=CLEARED, is_open=False))


def test_an_open_call_is_the_verdict_whatever_the_data_show_tonight() -> None:
    scores = pl.DataFrame({"site_id": ["A", "B", "C"], "verdict": ["sound", "sound", "suspect"]})
    assert with_safety_verdict(scores, OPEN)["verdict"].to_list() == ["safety", "sound", "suspect"]


def test_a_listed_home_keeps_its_row_and_says_that_the_call_comes_first() -> None:
    listed = pl.DataFrame(
        {
            "rank": [1, 2],
            "site_id": ["C", "A"],
            "verdict": ["suspect", "suspect"],
            "evidence": ["odd", "odder"],
        }
    )
    told = listed_with_calls(listed, OPEN)
    assert told["rank"].to_list() == [1, 2]
    assert told.select("verdict", "safety_call").rows() == [("suspect", None), ("safety", CALL_NOW)]
    assert told["evidence"].to_list() == [
        "odd", "safety call first (call now): no CT work before it is cleared; odder",
    ]  # fmt: skip


def stands(likelihood: float) -> dict[str, object]:
    """Home A's standing on its first night, with an open call."""
    return standing_with_calls(frame([tell([(0, scored(likelihood))])[-1]]), OPEN).row(0, named=True)


def test_a_home_with_a_call_is_not_said_to_look_right() -> None:
    told = stands(0.01)
    assert told["reason"] == "no CT work before the safety call is cleared"
    assert told["cause"] == "safety call (call now), no CT work before it is cleared"
    assert told["standing"] == "not listed"


def test_a_suspect_with_a_call_keeps_its_reason() -> None:
    told = stands(0.9)
    assert (told["standing"], told["reason"]) == ("new tonight", "a suspect")
    assert str(told["cause"]).startswith(
        "safety call (call now), no CT work before it is cleared; CT reversed: 90 % this fault"
    )


def test_the_story_tells_each_turn_of_a_call_once_and_one_that_comes_back_again() -> None:
    story = None
    for number, status in enumerate((CALL_NOW, CALL_NOW, CALLED, CALL_NOW)):
        night = NIGHT + timedelta(days=number)
        calls = safety_calls(call("A", status=status, since=NIGHT, as_of=night))
        story = next_story(
            story, frame(tell([(0, scored(0.01))])), frame_visits(), plans=planned(), calls=calls, as_of=night
        )
    told = story.filter(pl.col("what") == "safety call")
    assert told["happened_on"].to_list() == [NIGHT + timedelta(days=days) for days in (0, 2, 3)]
    assert told["told"].to_list() == [
        f"safety call, {CALL_NOW}: No call is recorded. The data show it; V1 - V2 moves -2.50 V for each kW of L1",
        f"safety call, {CALLED}: No call is recorded. The data show it",
        f"safety call, {CALL_NOW}: No call is recorded. The data show it",
    ]

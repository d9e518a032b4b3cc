"""A home with two lines has legs, one with one or three has lines; a page about many speaks for all of them."""

from __future__ import annotations

import pytest

from pipeline.core.line_words import fleet_words, line_count_of, line_words


@pytest.mark.parametrize(
    ("line_count", "one", "together"),
    [(1, "line", "the line"), (2, "leg", "both legs"), (3, "line", "all three lines"), (None, "leg", "both legs")],
)  # fmt: skip
def test_only_a_home_with_two_has_legs(line_count: int | None, one: str, together: str) -> None:
    assert (line_words(line_count).one, line_words(line_count).together) == (one, together)


def test_a_fleet_speaks_of_legs_where_two_is_the_most_that_any_home_has() -> None:
    assert fleet_words([2, None, 2]).one == "leg"
    assert fleet_words([]).one == "leg"
    assert fleet_words([3, 3]).together == "all three lines"
    assert fleet_words([2, 1]).together == "both legs"
    assert fleet_words([1, 1]).one == "line"
    assert fleet_words([1, 2, 3]).together == "all lines"


def test_texts_are_filled_in() -> None:
    said = "how alike {together} step when a {shared_load} starts"
    assert line_words(2).spell(said) == "how alike both legs step when a 240 V load starts"
    assert line_words(3).spell(said) == "how alike all three lines step when a load on several lines starts"


def test_the_service_says_how_many_lines() -> None:
    names = ("230", "230/400", "120/208 three-phase", "single", None, "unheard of")
    assert [line_count_of(name) for name in names] == [1, 3, 3, 1, 2, 2]


def test_a_text_of_legs_is_told_in_the_words_of_the_home() -> None:
    text = "When both legs are negative or all legs are low, turn the leg's CT; same_leg looks like it."
    assert line_words(2).retell(text) == text.replace("all legs", "both legs")
    assert line_words(3).retell(text) == (
        "When all three lines are negative or all three lines are low, turn the line's CT; same_leg looks like it."
    )
    assert "or the line is low, turn the line's CT" in line_words(1).retell(text)

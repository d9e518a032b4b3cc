"""What files say reaches a terminal as letters: nothing moves its cursor, turns its lines or breaks one in two."""

import pytest

from pipeline.core.errors import InputError
from pipeline.core.terminal_text import one_line, printable


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("Zürich, 東京 \U0001f600", "Zürich, 東京 \U0001f600"),
        ("\x1b[2J", "\\x1b[2J"),
        ("a\x00b\x7f\x9b", "a\\x00b\\x7f\\x9b"),
        ("\u202eabc\u2066", "\\u202eabc\\u2066"),
        ("\udcff", "\\udcff"),
        ("one\ntwo", "one\ntwo"),
        ("tab\there\r", "tab\\there\\r"),
    ],
)
def test_acting_characters_are_shown_as_they_are_written(text: str, shown: str) -> None:
    assert printable(text) == shown
    assert printable(shown) == shown


def test_one_line_is_one() -> None:
    assert one_line("a\r\n  b\n\nc\u2028d") == "a b c\\u2028d"


def test_an_error_is_one_line_whatever_it_quotes() -> None:
    assert str(InputError("home 'a\nb\x1b': unknown")) == "home 'a b\\x1b': unknown"

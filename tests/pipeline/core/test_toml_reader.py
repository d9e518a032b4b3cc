"""TOML that users write: read, or refused in one line."""

import pytest

from pipeline.core.errors import InputError
from pipeline.core.toml_reader import read_toml


def test_what_is_toml_is_read() -> None:
    assert read_toml("[a]\nb = 1", "own.toml") == {"a": {"b": 1}}


@pytest.mark.parametrize(
    "text",
    ["[a", "a = " + "[" * 5000, "a = " + "9" * 5000, "a = 1\na = 2", "\0"],
    ids=["open", "deep", "long", "twice", "control"],
)
def test_what_is_none_is_one_line(text: str) -> None:
    with pytest.raises(InputError, match=r"^own\.toml: not valid TOML: ") as told:
        read_toml(text, "own.toml")
    assert "\n" not in str(told.value)

"""JSON knows no number that is none, no day and no path."""

import math
from datetime import date
from pathlib import Path

from pipeline.commands.json_output import plain


def test_not_a_number_is_null() -> None:
    assert plain({"a": math.nan, "b": (math.inf, 1.5, True), "c": date(2025, 6, 1), "d": Path("x")}) == {
        "a": None, "b": [None, 1.5, True], "c": "2025-06-01", "d": "x",
    }  # fmt: skip

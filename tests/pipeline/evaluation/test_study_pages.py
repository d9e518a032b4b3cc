"""How numbers are written, for the screen and the page alike."""

from __future__ import annotations

import polars as pl
import pytest

from pipeline.evaluation.study_pages import HEADINGS, Table, format_value, percent
from pipeline.evaluation.validation.results import COLUMNS, NOTES
from pipeline.faults.fault_text import fault_title


@pytest.mark.parametrize(
    ("share", "text"), [(1.0, "100 %"), (0.9999, "99.9 %"), (0.93, "93 %"), (0.005, "0.5 %"), (0.0, "0 %")]
)
def test_only_a_whole_share_is_a_hundred(share: float, text: str) -> None:
    assert percent(share) == text


def test_what_there_is_none_of_is_a_dash() -> None:
    assert format_value("average_precision", float("nan")) == format_value("median_nights", None) == "–"
    assert format_value("average_precision", 0.97216) == "0.9722"
    assert format_value("fault", "legs_crossed") == fault_title("legs_crossed")
    assert format_value("by", "desk") == "remote fix"
    assert format_value("median_nights", 2.5) == "2.5"


def test_an_interval_is_one_column_and_only_what_is_shown_is_there() -> None:
    frame = pl.DataFrame(
        {"fault": ["dead"], "homes": [20], "found_share": [0.0], "low": [0.0], "high": [0.161125]}
    )

    headings, rows, numbers = Table("t", "T", frame, columns=("fault", "found_share", "low", "high")).cells()

    assert headings == ["fault", "share found", "95 % interval"]
    assert rows == [[fault_title("dead"), "0 %", "0.0–16.1 %"]]
    assert numbers == [False, True, True]


def test_notes_fill_in_and_tell_of_the_two_names() -> None:
    numbers = {"homes": 9, "nights": 30, "pooled": 20, "fleets": 6, "small": 60, "sound": 9}

    notes = {name: note.format(**numbers) for name, (_, note) in NOTES.items()}

    assert next(iter(NOTES)) == "targets"
    assert "either name counts as correct" in notes["targets"]
    assert not any("{" in note for note in notes.values())


def test_headings_are_words_and_none_is_two_columns_of_a_table() -> None:
    assert all(heading and "_" not in heading for heading in HEADINGS.values())
    for columns in COLUMNS.values():
        headings = [HEADINGS.get(name, name) for name in columns]
        assert len(headings) == len(set(headings))

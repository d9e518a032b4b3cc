"""What a fault is called, and what is written of it, at homes with one or three lines: no word of legs is left."""

from __future__ import annotations

import re
from collections.abc import Iterator

import polars as pl
import pytest

from pipeline.core.line_words import line_words
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.fault_text import fault_title, fault_title_column, spell_faults
from pipeline.faults.types import CAUTIONS

OF_TWO_LEGS = re.compile(r"\b(legs?|240 V)\b|all line\b|line are\b")


def texts() -> Iterator[str]:
    yield from CAUTIONS
    for fault in CATALOGUE.values():
        yield spell_faults(fault.story)
        yield spell_faults(fault.looks_like)
        yield from (fault.title, fault.remedy.action, fault.remedy.prove, fault.remedy.habit, *fault.cautions)


@pytest.mark.parametrize("line_count", [1, 3])
def test_no_text_of_a_fault_speaks_of_legs_where_there_are_none(line_count: int) -> None:
    retell = line_words(line_count).retell
    assert any(OF_TWO_LEGS.search(text) for text in texts())
    assert [told for text in texts() if OF_TWO_LEGS.search(told := retell(text))] == []


def test_a_column_of_titles_goes_by_each_homes_lines() -> None:
    codes = [name for name in CATALOGUE for _ in (1, 2, 3, None)]
    counts = [1, 2, 3, None] * len(CATALOGUE)
    frame = pl.DataFrame({"fault": codes, "lines": pl.Series(counts, dtype=pl.Int64)})
    titles = frame.select(fault_title_column(pl.col("fault"), pl.col("lines"))).to_series().to_list()
    assert titles == [fault_title(code, count) for code, count in zip(codes, counts, strict=True)]
    assert len({fault_title(name, 3) for name in CATALOGUE}) == len(CATALOGUE)

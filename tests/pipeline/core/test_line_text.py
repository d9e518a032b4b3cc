"""What is written for two legs reads right with three lines and with one, whatever fault it is about."""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest

from pipeline.core.line_text import for_lines
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.fault_text import spell_faults

OF_TWO_LEGS = re.compile(r"\b(legs?|both legs|240 V|L2|half the production|-0\.5)\b")


def texts() -> Iterator[str]:
    for fault in CATALOGUE.values():
        yield fault.title
        yield spell_faults(fault.story)
        yield spell_faults(fault.looks_like)
        yield from (fault.remedy.action, fault.remedy.prove, fault.remedy.habit, *fault.cautions)


def test_two_legs_keep_their_words() -> None:
    assert all(for_lines(text, 2) == for_lines(text, None) == text for text in texts())


@pytest.mark.parametrize("line_count", [1, 3])
def test_no_text_of_a_fault_speaks_of_legs_where_there_are_none(line_count: int) -> None:
    assert any(OF_TWO_LEGS.search(text) for text in texts())
    assert not [text for text in texts() if OF_TWO_LEGS.search(for_lines(text, line_count))]


def test_what_proves_a_fix_on_one_line_is_about_the_whole_production() -> None:
    said = "an upstream leg falls by half the production"
    assert for_lines(said, 1) == "an upstream line falls by the production"
    assert for_lines(said, 3) == "an upstream line falls by its share of the production"

"""Each home is in one group, a safety call in no other, and every code of an unproven home has words."""

from __future__ import annotations

import polars as pl

from pipeline.core.glossary import UNPROVEN_NEEDS
from pipeline.report.home_groups import GROUPS, group_counts
from pipeline.scoring.verdict import NEEDS

HOMES = pl.DataFrame(
    {
        "verdict": ["sound", "sound", "suspect", "unproven", "unproven", "unproven", "suspect", "safety"],
        "unproven_need": [None, None, None, "meter", "meter", "sun", None, None],
    }
)


def test_groups_add_up_and_a_safety_call_is_not_counted_as_sound() -> None:
    counts = group_counts(HOMES)
    assert {group: homes for group, homes in counts.items() if homes} == {
        "safety": 1, "suspect": 2, "unproven-meter": 2, "unproven-sun": 1, "sound": 2,
    }  # fmt: skip
    assert sum(counts.values()) == HOMES.height
    assert list(counts) == list(GROUPS)


def test_every_need_has_words() -> None:
    assert set(UNPROVEN_NEEDS) == set(NEEDS)
    assert "night" not in UNPROVEN_NEEDS["meter"][0]

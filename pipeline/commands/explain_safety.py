"""The part of `nightclamp explain` about an open safety call; it comes before everything else."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from pipeline.report import safety_words


def safety_lines(call: Mapping[str, Any], line_count: int | None = None) -> Iterator[tuple[str, str]]:
    """Yield (label, text) of an open call of table safety_call: status, what was measured, whom to call.

    `line_count` is how many lines the home has; not known is two.
    """
    yield "Status", f"{call['status']}, since {call['since']}. {call['told']}."
    yield "Means", safety_words.summary(line_count)
    if call["measured"]:
        yield "Data", f"{call['measured']}."
    for number, text in enumerate(safety_words.CALLS, start=1):
        yield f"Call {number}", text
    for text in safety_words.HANDS_OFF:
        yield "Rule", text
    yield "Leave", f"and call the fire service at: {'; '.join(safety_words.LEAVE)}."
    yield "Govern", safety_words.GOVERN

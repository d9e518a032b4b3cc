"""What people call the line conductors of a home: legs where there are two, lines where there are one or three."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import Any, Final

from pipeline.core import services
from pipeline.core.glossary import LEGS


@dataclass(frozen=True)
class LineWords:
    """What one of them is called, several, all of them together ("both legs"), and any two of them.

    `shared_load` is a load that more than one of them feeds, as people name it: "240 V load".
    """

    one: str
    many: str
    together: str
    pair: str
    shared_load: str

    def spell(self, text: str) -> str:
        """Return the text with {one}, {many}, {together}, {pair} and {shared_load} filled in."""
        return text.format(**asdict(self))

    def retell(self, text: str) -> str:
        """Return a text that is written of legs, as a fault's is, in the words of this home.

        >>> line_words(3).retell("all legs are scaled alike: turn the leg's CT")
        "all three lines are scaled alike: turn the line's CT"
        """
        if self.one != _WORDS[2].one:
            for said, of_lines, of_one in _OF_TWO_LEGS:
                text = text.replace(said, of_one if self.together == _WORDS[1].together else of_lines)
        if self.together == _WORDS[1].together:
            text = _TOGETHER_ARE.sub(rf"{self.together} is \1", text)
        for pattern, word in ((_TOGETHER, self.together), (_MANY, self.many), (_ONE, self.one)):
            text = pattern.sub(word, text)
        return text


_TOGETHER, _MANY, _ONE = (re.compile(rf"\b{word}\b") for word in ("(?:both|all) legs", "legs", "leg"))
_TOGETHER_ARE = re.compile(rf"{_TOGETHER.pattern} are (\w+)(?: alike)?\b")
# Sayings that hold of two legs only: (as written, of several lines, of one line).
_OF_TWO_LEGS: Final = (
    (
        "CT reversed on both legs: the same powers on 120/240, only the leg voltages differ",
        "CT reversed: with another line's voltage a load reads about minus half of itself",
        "CT reversed",
    ),
    ("legs whose voltages drift apart under load", "lines whose voltages drift apart under load",
     "a voltage that sags under load"),
    ("with nearly all load at 240 V", "with nearly all load on all lines alike", "with hardly any load"),
    ("the upstream legs fall", "the upstream lines fall", "the upstream line falls"),
    ("mostly on another leg", "mostly on another line", "mostly outside the CT"),
    ("runs on another leg", "runs on another line", "runs elsewhere"),
)  # fmt: skip
_SHARED_LOAD: Final = "load on several lines"
_WORDS: Final = {
    1: LineWords("line", "lines", "the line", "two lines", _SHARED_LOAD),
    2: LineWords("leg", "legs", "both legs", "both legs", "240 V load"),
    3: LineWords("line", "lines", "all three lines", "two lines", _SHARED_LOAD),
}
_MIXED: Final = LineWords("line", "lines", "all lines", "two lines", _SHARED_LOAD)


def line_words(line_count: int | None) -> LineWords:
    """Return the words of a home with so many lines; not known is two.

    >>> line_words(2).together, line_words(3).one
    ('both legs', 'line')
    """
    return _WORDS[line_count or 2]


def fleet_words(line_counts: Iterable[int | None]) -> LineWords:
    """Return the words of a page about many homes: legs where two is the most that any home has, else lines."""
    counts = {count or 2 for count in line_counts} or {2}
    return _MIXED if len(counts) > 1 and 3 in counts else line_words(max(counts))


def line_count_of(service: str | None) -> int:
    """Return how many lines a service by that name has; an empty or unknown one has two."""
    name = service or services.UNKNOWN
    return services.SERVICES[name].line_count if name in services.SERVICES else 2


def lines_seen(score: Mapping[str, Any]) -> int:
    """Return how many lines a home has by its row of site_scores: those that were read, else by its service."""
    return score.get("line_count") or line_count_of(score.get("service"))


def leg_name(leg: str | None, line_count: int | None) -> str:
    """Return where a fault is, as people read it; "" where it has no leg, and for all lines of a home that has one.

    >>> leg_name("l1+l3", 3), leg_name("both", 2), leg_name("both", 1)
    ('L1 and L3', 'both legs', '')
    """
    return "" if leg == services.BOTH and line_count == 1 else LEGS.get(leg or "", "")

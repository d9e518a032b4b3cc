"""Columns of a file that nothing reads: each with the known column that was most probably meant."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

# Names shorter than this are codes (l1_v, pv_kw): another of one letter's difference may well be meant as it is.
_SHORTEST_WORD, _SAME_WORD = 6, 0.85


@dataclass(frozen=True)
class UnknownColumn:
    """A column that isn't read, and the known one nearest to it; `is_misspelt` if that one is missing but for it."""

    name: str
    nearest: str
    is_misspelt: bool

    @property
    def hint(self) -> str:
        """What to do about it, in words."""
        return (
            f"did you mean '{self.nearest}'?"
            if self.is_misspelt
            else f"the nearest column is '{self.nearest}'"
        )


def unknown_columns(
    columns: Sequence[str], read: Iterable[str], known: Iterable[str]
) -> Iterator[UnknownColumn]:
    """Yield those of a file's `columns` that nobody reads, regardless of case and blanks around them.

    Parameters
    ----------
    columns
        Names in the file.
    read
        Names that are read from it.
    known
        Names of the contract.
    """
    is_read = {name.casefold() for name in read}
    plain = {name: name.strip().casefold() for name in columns}
    there = set(plain.values())
    missing = [name for name in known if name.casefold() in is_read and name.casefold() not in there]
    for name, text in plain.items():
        if text in is_read:
            continue
        likest = max(known, key=lambda one: _likeness(text, one))
        yield UnknownColumn(
            name,
            likest,
            likest in missing
            and len(likest) >= _SHORTEST_WORD
            and difflib.SequenceMatcher(None, text, likest).ratio() >= _SAME_WORD,
        )


def _likeness(name: str, known: str) -> float:
    """Return how much a name looks like a known one, 0 to 1; letters left out ("tz", "lat") are half forgiven."""
    ratio = difflib.SequenceMatcher(None, name, known).ratio()
    letters = iter(known)
    is_short_for = name[:1] == known[:1] and all(letter in letters for letter in name)
    return max(ratio, 0.5 + ratio / 2) if is_short_for else ratio

"""Columns of a file that nothing reads: each with the known column that was most probably meant."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

# Names shorter than this are codes (l1_v, pv_kw): another of one letter's difference may well be meant as it is.
_SHORTEST_WORD, _SAME_WORD, _LIKELY = 6, 0.85, 0.6


@dataclass(frozen=True)
class UnknownColumn:
    """A column that isn't read, with a hint on the known one nearest to it.

    `is_misspelt` if it is that one but for a letter or two, and the file has no other such column.
    """

    name: str
    hint: str
    is_misspelt: bool


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
        is_missing = likest in missing
        is_likely = is_missing and _likeness(text, likest) >= _LIKELY
        hint = f"did you mean '{likest}'?" if is_likely else f"the nearest column is '{likest}'"
        is_same = difflib.SequenceMatcher(None, text, likest).ratio() >= _SAME_WORD
        yield UnknownColumn(name, hint, is_missing and is_same and len(likest) >= _SHORTEST_WORD)


def _likeness(name: str, known: str) -> float:
    """Return how much a name looks like a known one, 0 to 1; letters left out ("tz", "lat") are half forgiven."""
    ratio = difflib.SequenceMatcher(None, name, known).ratio()
    letters = iter(known)
    is_short_for = name[:1] == known[:1] and all(letter in letters for letter in name)
    return max(ratio, 0.5 + ratio / 2) if is_short_for else ratio

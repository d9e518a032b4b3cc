"""Columns of a file that nothing reads: each with the known column that was most probably meant."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from pipeline.ingest.column_meaning import (
    Meaning,
    is_third_line,
    meaning_in_register,
    meaning_of_interval,
)

# Names shorter than this are codes (l1_v, pv_kw): another of one letter's difference may well be meant as it is.
_SHORTEST_WORD, _SAME_WORD, _LIKELY = 6, 0.85, 0.6
INTERVALS = "intervals"
_THIRD = "l3_w"


@dataclass(frozen=True)
class UnknownColumn:
    """A column that isn't read, what is to be said of it, and a hint on the known one nearest to it.

    `is_misspelt` if it is that one but for a letter or two, and the file has no other such column.
    """

    name: str
    what: str
    hint: str
    is_misspelt: bool


def unknown_columns(
    columns: Sequence[str], read: Iterable[str], known: Iterable[str], *, table: str, volts: float = 120.0
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
    table
        "intervals" or the register, as lake.toml calls it.
    volts
        Of a line to neutral at most homes [V rms], for columns of currents.
    """
    is_read = {name.casefold() for name in read}
    known = tuple(known)
    plain = {name: name.strip().casefold() for name in columns}
    there = set(plain.values())
    missing = [name for name in known if name.casefold() in is_read and name.casefold() not in there]
    for name, text in plain.items():
        if text in is_read:
            continue
        what = f"column {name} is not in the contract: not read"
        likest = max(known, key=lambda one: _likeness(text, one))
        is_missing = likest in missing
        is_same = difflib.SequenceMatcher(None, text, likest).ratio() >= _SAME_WORD
        if is_missing and is_same and len(likest) >= _SHORTEST_WORD:
            hint = f"did you mean '{likest}'? rename it, or {_line(Meaning(likest), name, table, volts)}"
            yield UnknownColumn(name, what, hint, True)
            continue
        meant = meaning_of_interval(name) if table == INTERVALS else meaning_in_register(name, tuple(missing))
        if meant is not None and meant.column in missing:
            hint = f"if it is {meant.column}, {_line(meant, name, table, volts)}"
            yield UnknownColumn(name, what, hint, False)
            continue
        if table == INTERVALS and is_third_line(name) and _THIRD in missing:
            hint = f"if it is the power of a third line, {_line(Meaning(_THIRD), name, table, volts)}"
            yield UnknownColumn(name, what, hint, False)
            continue
        is_likely = is_missing and _likeness(text, likest) >= _LIKELY
        hint = f"did you mean '{likest}'?" if is_likely else f"the nearest column is '{likest}'"
        yield UnknownColumn(name, what, hint, False)


def _line(meant: Meaning, name: str, table: str, volts: float) -> str:
    """Return what to write in lake.toml so that the column is read as what it means."""
    if table != INTERVALS:
        return f"write {meant.toml(name)} in lake.toml [{table}]"
    minutes = " and minutes = 15, say, in [intervals]" if (meant.unit or "").endswith("interval") else ""
    return f"write {meant.toml(name, volts)} in lake.toml [intervals.columns]{minutes}"


def _likeness(name: str, known: str) -> float:
    """Return how much a name looks like a known one, 0 to 1; letters left out ("tz", "lat") are half forgiven."""
    ratio = difflib.SequenceMatcher(None, name, known).ratio()
    letters = iter(known)
    is_short_for = name[:1] == known[:1] and all(letter in letters for letter in name)
    return max(ratio, 0.5 + ratio / 2) if is_short_for else ratio

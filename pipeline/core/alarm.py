"""An alarm or a note beside the list: its code, one line in words with the numbers, and where to look."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import polars as pl

from pipeline.core.event_log import LOG
from pipeline.core.terminal_text import one_line

EXIT_STATUS = 3  # of a command that published its list, with an alarm
ALARM, NOTE = "alarm", "note"
MOST_NAMED = 5
# One row an alarm (look before a truck goes) or note (good to know), alarms first.
SCHEMA = pl.Schema({"severity": pl.String, "code": pl.String, "told": pl.String, "look": pl.String})


@dataclass(frozen=True)
class Alarm:
    """One alarm or note (`severity`): `told` is one line with the numbers, `look` says where to look."""

    severity: str
    code: str
    told: str
    look: str


def alarm(code: str, told: str, look: str) -> Alarm:
    """Return an alarm."""
    return Alarm(ALARM, code, one_line(told), one_line(look))


def note(code: str, told: str, look: str) -> Alarm:
    """Return a note."""
    return Alarm(NOTE, code, one_line(told), one_line(look))


def table(found: Iterable[Alarm]) -> pl.DataFrame:
    """Return table alarm (SCHEMA), alarms first, each kind in the order given."""
    rows = sorted(found, key=lambda one: one.severity != ALARM)
    return pl.DataFrame([vars(row) for row in rows], schema=SCHEMA)


def read(lines: pl.DataFrame) -> list[Alarm]:
    """Return the alarms and notes of table alarm."""
    return [Alarm(**row) for row in lines.to_dicts()]


def log_alarms(found: Iterable[Alarm]) -> None:
    """Log each alarm as a warning and each note as information, under its code."""
    for one in found:
        write = LOG.warning if one.severity == ALARM else LOG.info
        write("%s: %s (see %s)", one.severity, one.told, one.look, extra={"code": one.code})


def places(counts: Mapping[str | None, int], what: str = "home") -> str:
    """Return areas with their homes in words, most first: "North (12 homes), South (1 home) and 3 more"."""
    ranked = sorted(counts.items(), key=lambda item: (-item[1], item[0] or ""))
    shown = [f"{area or 'no area'} ({count_of(n, what)})" for area, n in ranked[:MOST_NAMED]]
    more = len(ranked) - MOST_NAMED
    return ", ".join(shown) + (f" and {more} more" if more > 0 else "")


def count_of(number: int, what: str) -> str:
    """Return "1 home", "1,200 homes"."""
    return f"{number:,} {what}{'' if number == 1 else 's'}"

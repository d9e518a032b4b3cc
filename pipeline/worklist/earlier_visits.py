"""Earlier visits to a home, for whoever goes next: what was found, whether it was fixed, the note, why it is open."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any, NamedTuple

import polars as pl

from pipeline.core.contract import SOUND
from pipeline.core.glossary import LEGS
from pipeline.faults.fault_text import fault_title
from pipeline.worklist.last_visit import FIXED, SAID_OTHER, SAID_SOUND, UNFIXED

_LONGEST = 2000  # characters of a note; who writes more writes a file
_OUTCOMES = {FIXED: "recorded as fixed", UNFIXED: "not fixed", SAID_OTHER: "not fixed", SAID_SOUND: ""}
_OPEN = {
    FIXED: "the last visit is recorded as fixed, but the data since then still show a fault",
    UNFIXED: "the last visit did not fix it",
    SAID_SOUND: "the last visit found no CT fault, but the data now point to another fault",
    SAID_OTHER: "the last visit found another cause, but the data now point to a CT fault",
}


class PastVisit(NamedTuple):
    """One visit in words; `outcome` is empty where nothing was to be fixed, `note` None where there is none."""

    visited_on: date
    crew_id: str | None
    found: str
    outcome: str
    note: str | None


class EarlierVisits(NamedTuple):
    """Visits to one home, the newest first; `more` older ones are left out, `why_open` says why it is listed again."""

    visits: tuple[PastVisit, ...] = ()
    more: int = 0
    why_open: str | None = None


def earlier_visits(
    visits: pl.DataFrame,
    notes: pl.DataFrame | None,
    standing: pl.DataFrame,
    *,
    most: int,
    longest: int = _LONGEST,
) -> dict[str, EarlierVisits]:
    """Return the earlier visits of each home that has any.

    Parameters
    ----------
    visits
        The register: visit_id, site_id, visited_on, crew_id, found, leg, fixed.
    notes
        visit_id, note; None where the reader may not have them.
    standing
        Tonight's: site_id, outcome, is_listed; the last visit's outcome says why a listed home is open again.
    most
        Visits shown of a home.
    longest
        Characters of a note; a longer one ends with an ellipsis.
    """
    note_of = dict(notes.select("visit_id", "note").iter_rows()) if notes is not None else {}
    open_homes = standing.filter(pl.col("is_listed") & pl.col("outcome").is_not_null())
    why = {site: _OPEN.get(outcome) for site, outcome in open_homes.select("site_id", "outcome").iter_rows()}
    rows: dict[str, list[PastVisit]] = {}
    for row in visits.sort("visited_on", "visit_id", descending=True).iter_rows(named=True):
        note = one_line(note_of.get(row["visit_id"]), longest)
        rows.setdefault(row["site_id"], []).append(_past_visit(row, note))
    return {
        site: EarlierVisits(tuple(past[:most]), max(0, len(past) - most), why.get(site))
        for site, past in rows.items()
    }


def one_line(text: str | None, longest: int) -> str | None:
    """Return a text on one line, cut after so many characters with an ellipsis; None where it says nothing."""
    words = " ".join("".join(sign if sign.isprintable() else " " for sign in text or "").split())
    return (words if len(words) <= longest else f"{words[: longest - 1].rstrip()}…") or None


def _past_visit(row: Mapping[str, Any], note: str | None) -> PastVisit:
    leg = LEGS.get(row["leg"] or "")
    found = fault_title(row["found"]) if row["found"] else "nothing recorded"
    outcome = SAID_SOUND if row["found"] == SOUND else FIXED if row["fixed"] else UNFIXED
    return PastVisit(
        row["visited_on"], row["crew_id"], f"{found}, {leg}" if leg else found, _OUTCOMES[outcome], note
    )

"""The call sheet of a suspected loose neutral: what to say on the phone, and what to write down."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

import polars as pl

from pipeline.core.line_words import lines_seen
from pipeline.core.setting_sections import VerdictSettings
from pipeline.report import safety_words, words
from pipeline.report.safety_page import measured_rows
from pipeline.workorder.build import contact_of, register_facts
from pipeline.workorder.order import Contact
from pipeline.workorder.tables import REGISTER, NightTables

# What is written by hand: the field, and what belongs in it.
FIELDS = (
    ("Utility called", "line, day and time, by whom"),
    ("Reference of the report", "and when somebody will be there"),
    ("Customer told", "day and time, by whom; what they have noticed"),
    ("Electrician called", "if the utility's side is in order: who, day and time"),
    ("What was found", "where the neutral was loose, or that nothing was"),
    ("Repaired on", "day, by whom"),
)
# One row of the register safety_calls.
RECORD = ("site_id", "called_on", "repaired_on", "note")


@dataclass(frozen=True)
class SafetySheet:
    """What the sheet of one open call says.

    `measured` is (what, measured, right), `line_count` how many lines the home has.
    """

    site_id: str
    as_of: date
    status: str
    since: date
    told: str
    measured: tuple[tuple[str, str, str], ...]
    facts: tuple[tuple[str, str], ...]
    contact: Contact
    line_count: int = 2
    kind: Literal["safety"] = "safety"
    desk: None = None
    suspicion: str = "loose service neutral"

    @property
    def safety_calls(self) -> tuple[str, ...]:
        """What stands in the black box on top."""
        return (f"{self.status.upper()}. {safety_words.summary(self.line_count)}",)


def safety_sheets(
    night: NightTables, wanted: Sequence[str], *, settings: VerdictSettings
) -> list[SafetySheet]:
    """Return the sheets of the night's open safety calls, the most urgent first: of the homes `wanted`, or of all."""
    chosen = night.frames["safety_call"].filter("is_open")
    if wanted:
        chosen = chosen.filter(pl.col("site_id").is_in(list(wanted)))
    called = pl.col("site_id").is_in(chosen["site_id"].to_list())
    sites = {row["site_id"]: row for row in night.frames["sites"].filter(called).iter_rows(named=True)}
    scores = {row["site_id"]: row for row in night.frames["site_scores"].filter(called).iter_rows(named=True)}
    contacts = night.contact_rows()
    return [
        _sheet(
            call,
            sites.get(call["site_id"], {}),
            contacts.get(call["site_id"], {}),
            line_count=lines_seen(scores.get(call["site_id"], {})),
            settings=settings,
        )
        for call in chosen.iter_rows(named=True)
    ]


def _sheet(
    call: Mapping[str, Any],
    site: Mapping[str, Any],
    contact: Mapping[str, Any],
    *,
    line_count: int,
    settings: VerdictSettings,
) -> SafetySheet:
    known = {name: site.get(name) for name in REGISTER}
    return SafetySheet(
        site_id=call["site_id"],
        as_of=call["as_of"],
        status=call["status"],
        since=call["since"],
        told=call["told"],
        measured=tuple(measured_rows(call, known["service"], settings)),
        facts=register_facts(known, with_place=True),
        contact=contact_of(contact),
        line_count=line_count,
    )


def template_values(sheet: SafetySheet) -> dict[str, Any]:
    """Return what the template safety.html asks for."""
    return {
        "order": sheet,
        "words": safety_words,
        "fields": FIELDS,
        "record": RECORD,
        "since": words.day(sheet.since),
    }

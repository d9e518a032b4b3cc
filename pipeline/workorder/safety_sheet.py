"""The call sheet of a suspected loose neutral: what to say on the phone, and what to write down."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal

import polars as pl

from pipeline.core.setting_sections import VerdictSettings
from pipeline.report import safety_words, words
from pipeline.report.safety_page import measured_rows
from pipeline.workorder.build import register_facts
from pipeline.workorder.tables import REGISTER

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
    """What the sheet of one open call says; `measured` (what, measured, right)."""

    site_id: str
    as_of: date
    status: str
    since: date
    told: str
    measured: tuple[tuple[str, str, str], ...]
    facts: tuple[tuple[str, str], ...]
    kind: Literal["safety"] = "safety"
    desk: None = None
    suspicion: str = "loose service neutral"

    @property
    def safety_calls(self) -> tuple[str, ...]:
        """What stands in the black box on top."""
        return (f"{self.status.upper()}. {safety_words.SUMMARY}",)


def safety_sheets(
    calls: pl.DataFrame, sites: pl.DataFrame, wanted: Sequence[str], *, settings: VerdictSettings
) -> list[SafetySheet]:
    """Return the sheets of the open calls of table safety_call, the most urgent first.

    Parameters
    ----------
    calls, sites
        Table safety_call, and the register of homes.
    wanted
        Homes to write a sheet for; empty for all.
    settings
        [verdict].
    """
    chosen = calls.filter("is_open")
    if wanted:
        chosen = chosen.filter(pl.col("site_id").is_in(list(wanted)))
    rows = sites.filter(pl.col("site_id").is_in(chosen["site_id"].to_list())).iter_rows(named=True)
    register = {row["site_id"]: row for row in rows}
    return [
        _sheet(call, register.get(call["site_id"], {}), settings) for call in chosen.iter_rows(named=True)
    ]


def _sheet(call: Mapping[str, Any], site: Mapping[str, Any], settings: VerdictSettings) -> SafetySheet:
    known = {name: site.get(name) for name in REGISTER}
    return SafetySheet(
        site_id=call["site_id"],
        as_of=call["as_of"],
        status=call["status"],
        since=call["since"],
        told=call["told"],
        measured=tuple(measured_rows(call, known["service"], settings)),
        facts=register_facts(known, with_place=True),
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

"""What a work order is, before any HTML: words, numbers and pictures of one home."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any, Literal, NamedTuple

from pipeline.core.line_words import LineWords, line_words
from pipeline.faults.fault_text import spell_faults
from pipeline.faults.types import Change, Fault
from pipeline.worklist.earlier_visits import EarlierVisits
from pipeline.workorder.install import Install
from pipeline.workorder.tables import Home
from pipeline.workorder.visit_record import VisitRecord
from pipeline.workorder.wiring_key import WiringKey


@dataclass(frozen=True)
class Case:
    """One home with what is suspected of it: the input of every part of an order."""

    home: Home
    fault: Fault
    leg: str | None
    install: Install

    @classmethod
    def of(cls, home: Home, catalogue: Mapping[str, Fault]) -> Case:
        """Return the case of a listed home; KeyError where the catalogue doesn't have its suspected fault."""
        fault = catalogue[home.listed["suspected_fault"]]
        return cls(home, fault, home.listed["leg"], Install.of(home.register, home.score, home.signal))

    @property
    def called(self) -> LineWords:
        """What the home's lines are called: legs where there are two."""
        return line_words(len(self.install.lines))

    def retell(self, text: str) -> str:
        """Return a fault's text with its codes as titles and the words for this home's lines."""
        return self.called.retell(spell_faults(text))

    @property
    def signal(self) -> dict[str, Any]:
        """The home's row of site_signal, empty where it had no data."""
        return self.home.signal


class Expectation(NamedTuple):
    """One row of the test with a known load: what is switched on, and by how much each channel then moves, in words.

    `right` is what a right install shows, `now` what it shows if the suspicion holds; channel -> words. `short` is the
    switch in a word or two, for a table of many channels.
    """

    switch: str
    right: dict[str, str]
    now: dict[str, str]
    short: str = ""


class Other(NamedTuple):
    """Another explanation: its likelihood (0..1) and the test that tells it from the suspected one."""

    name: str
    share: float
    test: str


class Verification(NamedTuple):
    """A number of the nights to come that verifies the change: where it is now, where it should be, after how long."""

    number: str
    now: str
    then: str
    nights: str


class DeskFix(NamedTuple):
    """What the desk can do: what to look up first, the changes, the numbers to wait for, what else to mind."""

    first: str
    changes: tuple[Change, ...]
    verifications: tuple[Verification, ...]
    notes: tuple[str, ...] = ()


class Contact(NamedTuple):
    """Where the home is, who to ask for and how to get in; None where the site record doesn't say."""

    address: str | None = None
    customer: str | None = None
    access_note: str | None = None


class Picture(NamedTuple):
    """A picture for the sheet: a title, the SVG, a caption that carries its numbers."""

    title: str
    svg: str
    caption: str


@dataclass(frozen=True)
class Order:
    """All that a sheet says of one home.

    `kind` "visit" has steps and expectations, "office" a `desk` fix to make from the office; on a visit `desk` is what
    can serve until then, where something can. `safety_calls` must be read before anything else, `doubts` come after it.
    `how_likely` is this fault's own likelihood and that of any fault, in words; `wirings` are the likeliest wirings of
    three CTs.
    `facts` are (name, value) of the site record, only what the job needs. `channels` are those of the expectations
    worth a column, `key` how to read them on three lines; `record` is the row of the visits register to fill in.
    `earlier` are the visits before, and `since_visit` what the data say since the last of them.
    """

    site_id: str
    as_of: date
    kind: Literal["visit", "office"]
    suspicion: str
    how_likely: str
    since: str
    contact: Contact
    safety_calls: tuple[str, ...]
    cautions: tuple[str, ...]
    doubts: tuple[str, ...]
    story: str
    evidence: str
    wirings: tuple[str, ...]
    facts: tuple[tuple[str, str], ...]
    others: tuple[Other, ...]
    looks_like: str
    bring: tuple[str, ...]
    minutes: int
    steps: tuple[str, ...]
    expectations: tuple[Expectation, ...]
    channels: tuple[str, ...]
    known_load: str
    key: WiringKey
    prove: str
    desk: DeskFix | None
    record: VisitRecord
    earlier: EarlierVisits
    since_visit: str | None
    commissioned_on: date | None
    pictures: tuple[Picture, ...]

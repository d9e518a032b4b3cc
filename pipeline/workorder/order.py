"""What a work order is, before any HTML: words, numbers and pictures of one home."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Any, Literal

from pipeline.faults.types import Change, Fault
from pipeline.workorder.install import Install
from pipeline.workorder.tables import Home


@dataclass(frozen=True)
class Expectation:
    """One row of the test with a known load: what is switched on, and by how much each channel then moves, in words.

    `right` is what a right install shows, `now` what it shows if the suspicion holds; channel -> words.
    """

    switch: str
    right: dict[str, str]
    now: dict[str, str]


@dataclass(frozen=True)
class Other:
    """Another explanation: its likelihood (0..1) and the test that tells it from the suspected one."""

    name: str
    share: float
    test: str


@dataclass(frozen=True)
class Wait:
    """A number of the nights to come that proves the change: where it is now, where it should be, after how long."""

    number: str
    now: str
    then: str
    nights: str


@dataclass(frozen=True)
class DeskFix:
    """What the desk can do: what to look up first, the changes, the proof to wait for, what else to mind."""

    first: str
    changes: tuple[Change, ...]
    waits: tuple[Wait, ...]
    mind: tuple[str, ...] = ()


@dataclass(frozen=True)
class Picture:
    """A picture for the sheet: a title, the SVG, a caption that carries its numbers."""

    title: str
    svg: str
    caption: str


@dataclass(frozen=True)
class Order:
    """All that a sheet says of one home.

    `kind` "visit" has steps and expectations, "office" a `desk` fix to make; on a visit `desk` is what can serve until
    then, where something can. `stops` must be read before anything else (a safety call), `doubts` come after it.
    `facts` are (name, value) of the register, only what the job needs. `channels` are those of the expectations worth
    a column; `record` are (field, what is allowed there) of the row for the lake's visits.
    """

    site_id: str
    as_of: date
    kind: Literal["visit", "office"]
    suspicion: str
    likelihood: float
    how_likely: str
    share: float | None
    since: str
    stops: tuple[str, ...]
    cautions: tuple[str, ...]
    doubts: tuple[str, ...]
    story: str
    evidence: str
    facts: tuple[tuple[str, str], ...]
    others: tuple[Other, ...]
    looks_like: str
    bring: tuple[str, ...]
    minutes: int
    steps: tuple[str, ...]
    expectations: tuple[Expectation, ...]
    channels: tuple[str, ...]
    known_load: str
    prove: str
    desk: DeskFix | None
    record: tuple[tuple[str, str], ...]
    before: str | None
    pictures: tuple[Picture, ...] = field(default=())


@dataclass(frozen=True)
class Case:
    """One home with what is suspected of it: the input of every part of an order."""

    home: Home
    fault: Fault
    leg: str | None
    install: Install

    @property
    def signal(self) -> dict[str, Any]:
        """The home's row of site_signal, empty where it had no data."""
        return self.home.signal

"""The row of visits.csv that a visit ends with: its id, made beforehand, and what may be recorded in it."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Collection, Mapping
from datetime import date
from typing import NamedTuple

from pipeline.core.contract import FINDINGS
from pipeline.core.glossary import LEGS
from pipeline.core.services import LINES, leg_codes
from pipeline.faults.fault_text import fault_title
from pipeline.faults.types import Fault
from pipeline.workorder.install import Install

_ID_SIGNS = 8  # of 32 letters and digits: one order in a million million meets another of its night


class Finding(NamedTuple):
    """Something to find: its code in files, its title for people, the legs it can be on (codes; none for no fault)."""

    code: str
    title: str
    legs: tuple[str, ...]


class VisitRecord(NamedTuple):
    """What is known of the row before the visit; `findings` begin with the suspicion, `legs` are (code, title)."""

    visit_id: str
    site_id: str
    findings: tuple[Finding, ...]
    legs: tuple[tuple[str, str], ...]


def visit_record(
    site_id: str, visit_id: str, suspected: str, *, install: Install, catalogue: Mapping[str, Fault]
) -> VisitRecord:
    """Return the row to fill in.

    Parameters
    ----------
    site_id, visit_id
        The home, and the id of its visit.
    suspected
        The fault that is listed first.
    install
        Of the home: a finding is on any set of its lines, or on the total of all where that is all it reports.
    catalogue
        The faults by name, for the legs each can be on.
    """
    codes = [suspected, *(code for code in FINDINGS if code != suspected)]
    count = len(install.channels)
    names = {**LEGS, **({"l1": "total of all lines"} if install.is_summed else {})}
    findings = tuple(
        Finding(
            code,
            fault_title(code, len(install.lines)),
            _legs(catalogue[code], count) if code in catalogue else (),
        )
        for code in codes
    )
    return VisitRecord(visit_id, site_id, findings, tuple((code, names[code]) for code in leg_codes(count)))


def _legs(fault: Fault, channel_count: int) -> tuple[str, ...]:
    """Return the legs it can be on, as this home's codes: on one channel whatever there is is on that one."""
    return LINES[:1] if channel_count == 1 else fault.legs_of(channel_count)


def visit_id_of(site_id: str, as_of: date, taken: Collection[str] = ()) -> str:
    """Return the id of the visit that tonight's order of a home is for: V-20260614-7K3QX2TM.

    The same home and night give the same id, so that an order printed again is the same visit; one that the visits
    register has (`taken`) is not given again.
    """
    digest = hashlib.sha256(site_id.encode("utf-8")).digest()
    name = f"V-{as_of:%Y%m%d}-{base64.b32encode(digest).decode('ascii')[:_ID_SIGNS]}"
    number, free = 1, name
    while free in taken:
        number += 1
        free = f"{name}-{number}"
    return free

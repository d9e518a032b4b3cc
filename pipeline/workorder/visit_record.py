"""The row of visits.csv that a visit ends with: its id, made beforehand, and what may be recorded in it."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Collection, Mapping
from datetime import date
from typing import NamedTuple

from pipeline.core.contract import FINDINGS
from pipeline.core.glossary import LEGS
from pipeline.core.services import leg_code, leg_codes, lines_of, service_of
from pipeline.faults.fault_text import fault_title
from pipeline.faults.types import Fault

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
    site_id: str, visit_id: str, suspected: str, *, service: str, catalogue: Mapping[str, Fault]
) -> VisitRecord:
    """Return the row to fill in.

    Parameters
    ----------
    site_id, visit_id
        The home, and the id of its visit.
    suspected
        The fault that is listed first.
    service
        Of the home: a finding is on any set of its lines.
    catalogue
        The faults by name, for the legs each can be on.
    """
    codes = [suspected, *(code for code in FINDINGS if code != suspected)]
    count = service_of(service).line_count
    findings = tuple(
        Finding(
            code,
            fault_title(code, count),
            _legs(catalogue[code], service, count) if code in catalogue else (),
        )
        for code in codes
    )
    return VisitRecord(visit_id, site_id, findings, tuple((code, LEGS[code]) for code in leg_codes(count)))


def _legs(fault: Fault, service: str, line_count: int) -> tuple[str, ...]:
    """Return the legs it can be on, as this home's codes: "both" of one line is that line."""
    codes = (leg_code(lines_of(leg, line_count), line_count) for leg in fault.legs_on(service))
    return tuple(dict.fromkeys(codes))


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

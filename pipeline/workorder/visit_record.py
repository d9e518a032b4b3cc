"""The row of visits.csv that a visit ends with: its id, made beforehand, and what may be recorded in it."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Collection, Mapping
from datetime import date
from typing import NamedTuple

from pipeline.core.contract import FINDINGS, LEGS
from pipeline.core.glossary import LEGS as LEG_WORDS
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
        Of the home; a single line has no second leg.
    catalogue
        The faults by name, for the legs each can be on.
    """
    codes = [suspected, *(code for code in FINDINGS if code != suspected)]
    findings = tuple(
        Finding(code, fault_title(code), catalogue[code].legs_on(service) if code in catalogue else ())
        for code in codes
    )
    legs = LEGS[:1] if service == "single" else LEGS
    return VisitRecord(visit_id, site_id, findings, tuple((code, LEG_WORDS[code]) for code in legs))


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

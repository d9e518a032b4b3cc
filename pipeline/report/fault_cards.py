"""The catalogue of faults in words for people."""

from __future__ import annotations

from pipeline.faults.catalogue import CATALOGUE
from pipeline.report.report_input import FaultCard


def fault_cards() -> dict[str, FaultCard]:
    """Return the catalogue in words for people."""
    return {
        name: FaultCard(
            name=words(name),
            story=words(fault.story),
            looks_like=words(fault.looks_like),
            action=fault.remedy.action,
            fix_by=fault.remedy.fix_by,
            bring=", ".join(fault.remedy.bring),
            minutes=fault.remedy.minutes,
            prove=fault.remedy.prove,
            cautions=fault.cautions,
        )
        for name, fault in CATALOGUE.items()
    }


def words(text: str) -> str:
    """Return the text with fault names as words: legs_crossed as legs crossed."""
    for name in CATALOGUE:
        text = text.replace(name, name.replace("_", " "))
    return text

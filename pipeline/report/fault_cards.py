"""The catalogue of faults in words for people."""

from __future__ import annotations

from pipeline.faults.catalogue import CATALOGUE
from pipeline.report.report_input import FaultCard


def fault_cards() -> dict[str, FaultCard]:
    """Return the catalogue in words for people."""
    return {
        name: FaultCard(
            name=spell_faults(name),
            story=spell_faults(fault.story),
            looks_like=spell_faults(fault.looks_like),
            action=fault.remedy.action,
            prove=fault.remedy.prove,
            cautions=fault.cautions,
        )
        for name, fault in CATALOGUE.items()
    }


def spell_faults(text: str) -> str:
    """Return the text with fault names as words: legs_crossed as legs crossed."""
    for name in CATALOGUE:
        text = text.replace(name, name.replace("_", " "))
    return text

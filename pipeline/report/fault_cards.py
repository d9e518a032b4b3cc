"""The catalogue of faults in words for people."""

from __future__ import annotations

from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.fault_text import spell_faults
from pipeline.report.report_input import FaultCard


def fault_cards() -> dict[str, FaultCard]:
    """Return the catalogue in words for people."""
    return {
        name: FaultCard(
            name=fault.title,
            story=spell_faults(fault.story),
            looks_like=spell_faults(fault.looks_like),
            action=fault.remedy.action,
            prove=fault.remedy.prove,
            cautions=fault.cautions,
            pictures=fault.pictures,
            is_record_error=fault.is_record_error,
        )
        for name, fault in CATALOGUE.items()
    }

"""The catalogue of faults in words for people."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from pipeline.core.line_words import line_words
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


def cards_for(cards: Mapping[str, FaultCard], line_count: int | None) -> dict[str, FaultCard]:
    """Return the cards in the words of a home with so many lines."""
    retell = line_words(line_count).retell
    return {
        code: replace(
            card,
            name=retell(card.name),
            story=retell(card.story),
            looks_like=retell(card.looks_like),
            action=retell(card.action),
            prove=retell(card.prove),
            cautions=tuple(retell(text) for text in card.cautions),
        )
        for code, card in cards.items()
    }

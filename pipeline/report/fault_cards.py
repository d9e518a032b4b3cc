"""The catalogue of faults in words for people."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from pipeline.core.line_text import for_lines
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
    if (line_count or 2) == 2:
        return dict(cards)
    return {
        code: replace(
            card,
            name=for_lines(card.name, line_count),
            story=for_lines(card.story, line_count),
            looks_like=for_lines(card.looks_like, line_count),
            action=for_lines(card.action, line_count),
            prove=for_lines(card.prove, line_count),
            cautions=tuple(for_lines(text, line_count) for text in card.cautions),
        )
        for code, card in cards.items()
    }

"""A day in words, the same in every locale."""

from __future__ import annotations

from datetime import date

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


def spell_day(value: date) -> str:
    """Return a date as 14 May 2026."""
    return f"{value.day} {_MONTHS[value.month - 1]} {value.year}"

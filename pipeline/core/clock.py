"""The time: the one place that asks for it, so that a test can say what it is."""

from __future__ import annotations

from datetime import UTC, date, datetime


def utc_now() -> datetime:
    """Return the time now, in UTC."""
    return datetime.now(UTC)


def utc_today() -> date:
    """Return the UTC day of now."""
    return utc_now().date()

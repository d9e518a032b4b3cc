"""Numbers, dates and codes as people read them; every page and caption speaks through these."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from math import isfinite

from pipeline.core.day_text import spell_day
from pipeline.core.line_words import leg_name, line_words
from pipeline.core.number_text import number as number
from pipeline.core.percent_text import NOTHING as NOTHING
from pipeline.core.percent_text import likelihoods as likelihoods
from pipeline.core.percent_text import percent as percent
from pipeline.faults.fault_text import fault_title
from pipeline.report.report_input import FaultCard


def leg(code: str | None, line_count: int | None = None) -> str:
    """Return "L1", "L1 and L3", "both legs", or "" where the fault has no leg or the home but one line."""
    return leg_name(code, line_count)


def fault(
    code: str | None, cards: Mapping[str, FaultCard] | None = None, line_count: int | None = None
) -> str:
    """Return what the trade calls a fault at a home with so many lines, by its card where there is one."""
    if code and cards and code in cards:
        return line_words(line_count).retell(cards[code].name)
    return fault_title(code, line_count)


def suspicion(
    code: str | None,
    leg_code: str | None,
    cards: Mapping[str, FaultCard] | None = None,
    *,
    line_count: int | None = None,
) -> str:
    """Return the suspicion: the fault and, where it has one, its leg.

    Parameters
    ----------
    code, leg_code
        The fault and its leg, as files write them.
    cards
        What the faults are called; None: by the catalogue.
    line_count
        How many lines the home has; None: two.
    """
    return ", ".join(filter(None, (fault(code, cards, line_count), leg(leg_code, line_count))))


def since(first: date | None) -> str:
    """Return since when; no date means from the first day of data."""
    return f"since {day(first)}" if first else "from the first day of data"


def clock_off(hours: float | None) -> str:
    """Return that the monitor's clock looks off, and by how much where it is known."""
    return f"The monitor's clock looks off{'' if hours is None else f' by about {number(hours, 1, sign=True)} h'}"


def fill(text: str, value: object) -> str | None:
    """Return the text with the value in its braces, None where there is no value."""
    return None if value is None else text.format(value)


def yes_no(value: bool | None) -> str | None:
    """Return "yes" or "no", None where it is unknown."""
    return None if value is None else "yes" if value else "no"


def plain(code: str | None) -> str:
    """Return a code such as `no_night` as words: "no night"."""
    return code.replace("_", " ") if code else NOTHING


def sentence(text: str) -> str:
    """Return the text as a sentence: a capital first, a full stop last."""
    return f"{text[:1].upper()}{text[1:]}{'' if text.endswith('.') else '.'}" if text else ""


def watts(value: float | None) -> str:
    """Return whole watts with their unit."""
    return NOTHING if value is None or not isfinite(value) else f"{number(value)} W"


def slope(value: float | None, se: float | None) -> str:
    """Return a slope with its standard error, "+0.50 ± 0.02"."""
    if value is None or not isfinite(value):
        return NOTHING
    return number(value, 2, sign=True) + (f" ± {se:.2f}" if se is not None and isfinite(se) else "")


def day(value: date | None) -> str:
    """Return a date as 14 May 2026 (the same in every locale)."""
    return NOTHING if value is None else spell_day(value)


def minutes(value: float | None) -> str:
    """Return minutes as "45 min" or "1 h 30 min"."""
    if value is None or not isfinite(value):
        return NOTHING
    hours, rest = divmod(round(value), 60)
    return f"{hours} h {rest:02d} min" if hours else f"{rest} min"


def count(size: int, singular: str, plural: str | None = None) -> str:
    """Return "1 home", "3 homes", "1 234 rows"."""
    return f"{number(size)} {singular if size == 1 else plural or singular + 's'}"

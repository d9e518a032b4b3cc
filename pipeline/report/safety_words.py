"""What is said about a suspected loose service neutral, on its page, its call sheet and by `nightclamp explain`."""

from __future__ import annotations

from typing import Final

from pipeline.core.line_words import line_words
from pipeline.core.services import SERVICES, UNKNOWN

TITLE: Final = "Safety call: suspected loose service neutral"
_SUMMARY: Final = (
    "The {many}' voltages move apart with load, as with a loose (open or high-resistance) service neutral: danger of "
    "fire, of shock and to appliances. This is no CT fault and no visit of the list. Call the utility at its emergency "
    "or trouble line, or a licensed electrician, today, and tell the customer."
)
GOVERN: Final = (
    "A suspicion from the monitor's data, not a finding. Local codes, the employer's safety programme and licensed "
    "practice govern; this replaces none of them."
)
CALLS: Final = (
    "Call the utility at its emergency or trouble line. Report a suspected loose or open service neutral at the home's "
    "address, take the reference of the report, and ask when somebody will be there.",
    "Call the customer: say what is suspected, who has been called, and the signs to leave by. Ask whether lights go "
    "bright or dim as appliances start or stop.",
    "If the utility finds its side in order, the customer needs a licensed electrician for the service entrance, the "
    "meter base and the panel.",
    "Record the call in the register safety_calls, and the repair once it is done. Only then, and once the data since "
    "agree, is the call closed.",
)
_UTILITY_SCRIPT: Final = (
    "“I'm reporting a suspected loose service neutral. A monitor at the panel shows the {number} {many}' voltages "
    "moving apart as the load changes. Nobody has opened anything. Please check the neutral from transformer to meter.”"
)
CUSTOMER_SCRIPT: Final = (
    "“Our monitor suggests a loose connection in the neutral of your electric service. It can damage appliances and "
    "start a fire. We have called the utility. Until they have been there, please don't switch large appliances on or "
    "off more than you must, don't charge a car, and don't open the panel or touch the meter.”"
)
HANDS_OFF: Final = (
    "No CT work and no other visit of the list before the call is cleared.",
    "Nobody of the crew opens the panel's cover, the meter or its seal, or touches the service drop.",
    "Don't switch large loads, and don't test by switching them: each change of load moves the voltages.",
    "Never ask the customer to open a panel or to touch a connection, not even for a photo.",
)
LEAVE: Final = (
    "a smell of burning, smoke, heat, buzzing or sparks at the panel, the meter or the service drop",
    "lamps that go very bright or fail, appliances that fail one after another",
    "a tingle or shock from an appliance, a tap or a metal case",
    "a service drop that hangs low or lies on the ground: keep well away from it",
)
MAY_BE: Final = (
    "a loose, corroded or broken connection of the neutral at the transformer, the splices of the drop or lateral, the "
    "weatherhead, the meter base or the main panel",
    "a neutral conductor that is damaged underground or by a tree",
)
_LOOKS_LIKE: Final = (
    "a loose neutral lead of the monitor's own voltage input: then the readings move apart and the service doesn't",
    "a loose connection of one {one}: then mostly that {one}'s own load moves its voltage",
    "a long thin drop or a small transformer, in order but weak",
    "CTs that read far less than flows, so that each kW read is more than a kW",
)
LOOKS_LIKE_NOTE: Final = (
    "None of these is told from a loose neutral by the data, and none is a reason to wait."
)


def summary(line_count: int | None = None) -> str:
    """Return what it means and whom to call, of a home with so many lines; not known is two legs."""
    return _spell(_SUMMARY, line_count)


def utility_script(line_count: int | None = None) -> str:
    """Return what to say to the utility."""
    return _spell(_UTILITY_SCRIPT, line_count)


def looks_like(line_count: int | None = None) -> tuple[str, ...]:
    """Return what else looks like a loose neutral."""
    return tuple(_spell(text, line_count) for text in _LOOKS_LIKE)


def _spell(text: str, line_count: int | None) -> str:
    spoken = line_words(line_count)
    return text.format(one=spoken.one, many=spoken.many, number="three" if line_count == 3 else "two")


def path_ohm(v_per_kw: float, service: str | None) -> float:
    """Return the resistance [ohm] that moves two lines' voltages apart by so many V per kW on one of them.

    It is the line's own and a part of the neutral's (`path_text`).

    >>> round(path_ohm(1.2, "120/240"), 3)
    0.144
    """
    return v_per_kw * SERVICES[service if service in SERVICES else UNKNOWN].volts / 1000


def path_text(service: str | None) -> str:
    """Return of what the resistance is.

    The neutral's drop by one line's current is in phase with that line: at half turn it counts twice, at a third of a
    turn half of it counts on the other line.
    """
    found = SERVICES[service if service in SERVICES else UNKNOWN]
    one = line_words(found.line_count).one
    is_half_turn = found.degrees == (0.0, 180.0)
    return f"of one {one} and {'twice' if is_half_turn else 'one and a half times'} the neutral"

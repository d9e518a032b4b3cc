"""What comes first on every sheet: safety calls, the cautions, what of them this home's register sharpens, doubts."""

from __future__ import annotations

from pipeline.faults.types import CAUTIONS
from pipeline.report import words
from pipeline.workorder.order import Case

GOVERN = "Local codes, the employer's safety programme and licensed practice govern; this sheet replaces none of them."
DESK = (
    "This is desk work. Never ask the customer to open a panel or to touch a clamp, not even for a photo.",
    "Should anybody go to the panel after all, then first:",
)
_NEUTRAL = (
    "SAFETY CALL FIRST. The legs' voltages move apart with load, as with a loose service neutral: danger of fire, "
    "of shock and to appliances. This is no CT fault. Don't wait for this order's visit: tell the utility or a "
    "licensed electrician today, and tell the customer. No work on the clamps until it is cleared."
)


def stops(case: Case) -> tuple[str, ...]:
    """Return what stops everything else: a suspected loose neutral."""
    return (_NEUTRAL,) if case.home.score["is_neutral_suspect"] else ()


def cautions(case: Case) -> tuple[str, ...]:
    """Return the cautions of every order, then the fault's own and the home's own."""
    register, own = case.home.register, []
    if register["ct_location"] == "service_entrance":
        own.append(
            "Here, by the register, the clamps sit on the service entrance: live with the main breaker off."
        )
    if register["has_battery"]:
        own.append(
            "Here, by the register, a battery stands: it feeds the panel with the main breaker and the solar off."
        )
    return (*CAUTIONS, *case.fault.cautions, *own)


def doubts(case: Case) -> tuple[str, ...]:
    """Return what weakens the suspicion: a clock that looks off, too little data."""
    score, found = case.home.score, []
    if score["is_clock_suspect"]:
        off = score["clock_offset_h"]
        by = "" if off is None else f" by about {words.number(off, 1, sign=True)} h"
        found.append(
            f"The monitor's clock looks off{by}: what is called night may not be night. Check its time first."
        )
    if score["verdict"] == "unproven":
        found.append(f"Unproven: {score['unproven_why'] or 'too little data to say'}.")
    return tuple(found)

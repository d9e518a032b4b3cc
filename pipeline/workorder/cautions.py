"""What comes first on every sheet: safety calls, the cautions, those that this home's site record adds, doubts."""

from __future__ import annotations

from pipeline.core.contract import SAFETY
from pipeline.faults.types import CAUTIONS
from pipeline.report import safety_words, words
from pipeline.workorder.order import Case

GOVERN = "Local codes, the employer's safety programme and licensed practice govern; this sheet replaces none of them."
DESK = (
    "This is a remote fix. Never ask the customer to open a panel or to touch a CT, not even for a photo.",
    "Should anybody go to the panel after all, then first:",
)
_SERVICE_ENTRANCE = (
    "By the site record the CTs here sit on the service entrance: live with the main breaker off."
)
_BATTERY = (
    "By the site record there is a battery here: it feeds the panel with the main breaker and the solar off."
)


def safety_calls(case: Case) -> tuple[str, ...]:
    """Return what stops everything else: an open safety call."""
    if case.home.score["verdict"] != SAFETY:
        return ()
    summary = safety_words.summary(len(case.install.lines))
    wait = "Don't wait for this order's visit: no work on the CTs before the call is cleared."
    return (f"SAFETY CALL FIRST. {summary} {wait}",)


def cautions(case: Case) -> tuple[str, ...]:
    """Return the cautions of every order, then the fault's own and the home's own."""
    register = case.home.register
    of_home = (
        *((_SERVICE_ENTRANCE,) if register["ct_location"] == "service_entrance" else ()),
        *((_BATTERY,) if register["has_battery"] else ()),
    )
    return tuple(case.called.retell(text) for text in (*CAUTIONS, *case.fault.cautions, *of_home))


def doubts(case: Case) -> tuple[str, ...]:
    """Return what weakens the suspicion: a clock that looks off, too little data."""
    score, sentences = case.home.score, []
    if score["is_clock_suspect"]:
        off = words.clock_off(score["clock_offset_h"])
        sentences.append(f"{off}: what is called night may not be night. Check its time first.")
    if score["unproven_why"]:
        sentences.append(f"Unproven: {score['unproven_why']}.")
    return tuple(sentences)

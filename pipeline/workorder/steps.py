"""What to do: the things to bring, and the steps in the order in which they are done."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from pipeline.core.contract import SOUND
from pipeline.core.setting_sections import OrderSettings
from pipeline.faults.fault_text import fault_title, spell_faults
from pipeline.faults.types import Fault
from pipeline.report import words
from pipeline.worklist.revisit_list import to_bring
from pipeline.workorder.order import Case, DeskFix


def bring_list(fault: Fault, register: Mapping[str, Any], settings: OrderSettings) -> tuple[str, ...]:
    """Return the things to bring, the fault's first; nothing stands there twice."""
    of_fault = to_bring(fault.remedy.bring, register["ct_amps"]).split("; ") if fault.remedy.bring else []
    count = max(1, round(register["cts_per_leg"] or 1))
    rating = (
        f"{register['ct_amps']:g} A, by the register"
        if register["ct_amps"] is not None
        else "rating not in the register: read it off the CTs"
    )
    cts = f"spare CTs, {rating}, {count} a leg" if count > 1 else f"spare CT, {rating}"
    extended = ", these leads are extended" if register["lead_extended"] else ""
    usual = {
        r"\bclamp\b(?! meter)": cts,
        "splice|connector": "insulation-displacement connectors and their tool",
        "twisted": f"twisted pair{extended}",
        "known load|heater": f"known load of about {words.number(settings.known_load_w)} W without a motor",
        "clamp meter": "clamp meter",
        "voltage tester": "voltage tester and proving unit",
        "lead markers": "lead markers",
    }
    text = " ".join(of_fault)
    return (*of_fault, *(thing for pattern, thing in usual.items() if not re.search(pattern, text)))


def visit_steps(fault: Fault, desk: DeskFix | None, is_silent: bool) -> tuple[str, ...]:
    """Return the steps of a visit; `is_silent`: the known load reads right also while the fault is there."""
    test = "Leave the covers closed. Do the known-load test below." + (
        " It will probably read right today: it can't show this fault."
        if is_silent
        else f" If every row reads right, change nothing and tick “{fault_title(SOUND)}”."
    )
    steps = [
        "Leave the covers closed. Write down the time in, and what each channel reads now.",
        test,
        "Make safe as the cautions say. Look before you change anything. If you see something else, read “What else "
        "it could be”.",
        spell_faults(fault.remedy.action),
        "Close the covers. Repeat the test: every row must read right. Photograph CTs, marks and labels.",
        "Record the visit below. Write down the time out and have the customer sign.",
    ]
    if desk is not None:
        steps.insert(4, "Call the office: if a setting was changed for this fault, have it set back now.")
    return tuple(steps)


def desk_steps(desk: DeskFix) -> tuple[str, ...]:
    """Return the steps of a remote fix."""
    return (
        desk.first,
        "Write down what is set now. Change the setting as shown.",
        "Record the change below. Wait for the proof. If it doesn't come, send a truck.",
    )


def known_load_note(case: Case) -> str:
    """Return how the known load is used, in a line."""
    leg = "" if case.install.service == "single" else " L1 is the leg whose voltage the monitor calls L1."
    circuit = "" if case.install.sees_pv else " Take a circuit whose conductor passes through the CT."
    return (
        "Turn on one thing at a time and leave everything else as it is. Write down the change, not the level. "
        f"Measure with the clamp meter what the load really draws; that is the right value.{leg}{circuit}"
    )

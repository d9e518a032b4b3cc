"""What to do: the steps in the order in which they are done, the row to write down."""

from __future__ import annotations

from pipeline.core.contract import FINDINGS, Visit
from pipeline.faults.fault_text import spell_faults
from pipeline.faults.types import Fault
from pipeline.workorder.order import Case, DeskFix


def visit_steps(fault: Fault, desk: DeskFix | None, is_silent: bool) -> tuple[str, ...]:
    """Return the steps of a visit; `is_silent`: the known load reads right also while the fault is there."""
    test = "Covers closed, do the known-load test below." + (
        " It is expected to read right today: it can't show this fault."
        if is_silent
        else " If every row reads right today, change nothing: found = sound."
    )
    steps = [
        "Covers closed: write down the time and what each channel reads now.",
        test,
        "Make safe (cautions above), then look before you change anything. If you see something else, see “What else "
        "it could be”.",
        spell_faults(fault.remedy.action),
        "Covers closed again: repeat the test: every row has to read right. Photograph CTs, marks and labels.",
    ]
    if desk is not None:
        steps.insert(4, "Ask the desk whether a setting stands in for this fault, and have it set back now.")
    return tuple(steps)


def desk_steps(desk: DeskFix) -> tuple[str, ...]:
    """Return the steps of an office fix."""
    return (
        desk.first,
        "Make the change, and write down what was set before.",
        "Enter it as below, wait for the proof, and send a visit if it doesn't come.",
    )


def known_load_note(case: Case) -> str:
    """Return how the known load is used, in a line."""
    leg = "" if case.install.service == "single" else " L1 is the leg whose voltage the monitor calls L1."
    circuit = "" if case.install.sees_pv else " Take a circuit whose conductor passes through the CT."
    return (
        "One switch at a time, everything else left as it is; the change counts, not the level. "
        f"What the load really draws decides: read it with the clamp meter.{leg}{circuit}"
    )


def visit_fields(case: Case) -> tuple[tuple[str, str], ...]:
    """Return (field of the lake's visits, what is allowed there), in the contract's order; "" is left to be written."""
    legs = ("l1",) if case.install.service == "single" else ("l1", "l2", "both")
    allowed = {
        "site_id": case.home.site_id,
        "found": " · ".join(FINDINGS),
        "leg": " · ".join([*legs, "empty"]),
        "fixed": "true · false",
    }
    return tuple((name, allowed.get(name, "")) for name in Visit.columns())

"""What to do: the steps in the order in which they are done."""

from __future__ import annotations

from pipeline.core.contract import SOUND
from pipeline.faults.fault_text import fault_title
from pipeline.workorder.order import Case, DeskFix


def visit_steps(case: Case, desk: DeskFix | None, is_silent: bool) -> tuple[str, ...]:
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
        case.retell(case.fault.remedy.action),
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
    circuit = "" if case.install.sees_pv else " Take a circuit whose conductor passes through the CT."
    return (
        "Turn on one thing at a time and leave everything else as it is. Write down the change, not the level. "
        f"Measure with the clamp meter what the load really draws; that is the right value.{_line_names(case)}{circuit}"
    )


def _line_names(case: Case) -> str:
    """Return which conductor is called L1: the monitor's own names, as letters and colours differ by country."""
    if case.install.is_summed:
        return (
            f" The source reports one total of {case.called.together}: the one whose load reads"
            " wrong has the CT at fault."
        )
    return {
        1: "",
        2: " L1 is the leg whose voltage the monitor calls L1.",
        3: " L1, L2 and L3 are the lines whose voltages the monitor calls so; local codes say how conductors are"
        " lettered and coloured.",
    }[len(case.install.channels)]

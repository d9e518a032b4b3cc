"""The alarms for damage of nights before: the night goes on from the newest whole run, without what can't be read."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.core.alarm import Alarm, alarm


def plan_damaged(damaged: Sequence[str]) -> Alarm | None:
    """Return that plans of days can't be read, a line on each: the homes planned there count as not planned."""
    if not damaged:
        return None
    return alarm(
        "plan_damaged",
        f"{'; '.join(damaged)}; homes planned only there count as not planned",
        "`nightclamp dispatch LAKE` for that night, or remove the file",
    )


def run_damaged(passed_over: Sequence[str], previous: str | None) -> Alarm | None:
    """Return that runs were passed over and which one the night goes on from.

    Parameters
    ----------
    passed_over
        A line on each, newest first: file and what is wrong with it.
    previous
        The day of the run gone on from; None without one.
    """
    if not passed_over:
        return None
    goes_on = (
        f"tonight goes on from the run of {previous}"
        if previous
        else "there is no whole run before tonight: it begins anew, as a first night"
    )
    lost = (
        "the dates that only these nights told are lost"
        if len(passed_over) > 1
        else "the dates that only that night told are lost"
    )
    return alarm("run_damaged", f"{'; '.join(passed_over)}; {goes_on}; {lost}", "`nightclamp verify OUT`")

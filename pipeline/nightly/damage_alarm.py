"""The alarm for a run before tonight that is damaged: the night goes on from the newest whole one before it."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.core.alarm import Alarm, alarm


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

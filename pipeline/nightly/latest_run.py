"""Which night OUT/latest leads to: it doesn't go back to an earlier day in silence."""

from __future__ import annotations

from pipeline.core.alarm import Alarm, alarm, note
from pipeline.nightly.night_inputs import NightInputs

_OPTION = "--make-latest of `nightclamp nightly`"


def newest_day_gone(inputs: NightInputs) -> Alarm | None:
    """Return that the lake's newest day lies before the night that is the latest: days went missing since."""
    latest = inputs.latest
    if inputs.request.as_of is not None or latest is None or inputs.as_of >= latest:
        return None
    return alarm(
        "newest_day_gone",
        f"the lake's newest day is {inputs.as_of}, but a night of {latest} is published: days since then are no"
        f" longer in the lake; {_where_latest_leads(inputs)}",
        f"intervals/date={latest}/ of the lake; {_OPTION}",
    )


def latest_note(inputs: NightInputs) -> Alarm | None:
    """Return where OUT/latest leads now, if this night is of an earlier day than the one that it led to."""
    if inputs.latest is None or inputs.as_of >= inputs.latest:
        return None
    return note("latest", f"published in runs/{inputs.as_of}; {_where_latest_leads(inputs)}", _OPTION)


def _where_latest_leads(inputs: NightInputs) -> str:
    if inputs.turns_latest:
        return f"latest goes back from {inputs.latest} to {inputs.as_of}, as asked"
    left = ", and past readings as they are" if inputs.settings.correction.in_night else ""
    return f"latest stays at {inputs.latest}{left}"

"""The last step of a night: what of OUT is no longer kept goes, now that the night is published."""

from __future__ import annotations

from contextlib import suppress

from pipeline.core.alarm import count_of
from pipeline.core.errors import NightclampError
from pipeline.nightly.night_inputs import NightInputs
from pipeline.storage.output_location import Out
from pipeline.storage.retention import Removed


def drop_old(inputs: NightInputs, out: Out) -> Removed:
    """Remove the runs and days of the store that [retention] doesn't keep; what hinders it fails no published night."""
    settings = inputs.settings
    least_days = max(inputs.request.window_days, settings.utility.oldest_days)
    with suppress(OSError, NightclampError):  # the next night removes what is left
        return out.drop_old(inputs.as_of, settings.retention, least_days=least_days)
    return Removed()


def removed_text(removed: Removed) -> str:
    """Return in a line what was removed, "" for nothing."""
    parts = [
        count_of(len(days), thing)
        for days, thing in ((removed.runs, "older run"), (removed.store_days, "stored day"))
        if days
    ]
    return f"removed, as [retention] says: {' and '.join(parts)}" if parts else ""

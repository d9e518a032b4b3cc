"""How a command says what it does: as text for people, or as JSON lines on standard error."""

from __future__ import annotations

from pipeline.commands import stopping
from pipeline.core import event_log


def write_log_as(log_format: str) -> None:
    """Write progress, warnings and the line of a failure as `[log] format` says, from now on."""
    event_log.write_as(log_format)
    stopping.say_through(_write_failure if event_log.is_json() else None)


def _write_failure(line: str) -> None:
    event_log.LOG.error("%s", line)

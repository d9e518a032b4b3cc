"""The log of a run as JSON lines: one object an event on standard error, for whoever collects them.

An event has `time` (UTC, ISO 8601), `level`, `logger` and `message`; of a night also `run_id` (that of its run.json),
`as_of` once it is known and the `step` that it belongs to; `seconds`, `counts` and `code` where the event has them.
Nothing is written unless `[log] format` is "json": without it `LOG` has no handler that a reader sees.
"""

from __future__ import annotations

import json
import logging
import sys
import uuid
from datetime import UTC, date, datetime
from typing import Any

TEXT, JSON = "text", "json"
LOG = logging.getLogger("nightclamp")
# A text for people (the table of the list, its counts): a scheduler keeps it with the run, JSON lines leave it out.
SUMMARY_LOG = LOG.getChild("summary")
_OF_EVENT = ("step", "seconds", "counts", "code")

LOG.setLevel(logging.INFO)
LOG.propagate = False
LOG.addHandler(logging.NullHandler())


class JsonFormatter(logging.Formatter):
    """Formats a record as one line of ASCII: no name or text of a site breaks a line or a collector."""

    def format(self, record: logging.LogRecord) -> str:
        """Return the event as JSON; what the record doesn't have is left out."""
        when = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        event: dict[str, Any] = {
            "time": when.removesuffix("+00:00") + "Z",
            "level": record.levelname.lower(),
            "logger": record.name,
            **_run,
            "message": record.getMessage(),
            **{name: getattr(record, name) for name in _OF_EVENT if hasattr(record, name)},
        }
        if record.exc_info:
            event["exception"] = self.formatException(record.exc_info)
        return json.dumps(event, default=str)


class JsonLineHandler(logging.Handler):
    """Writes to the standard error of the moment, so that whoever redirects it is heard."""

    def __init__(self) -> None:
        super().__init__()
        self.setFormatter(JsonFormatter())
        self.addFilter(lambda record: record.name != SUMMARY_LOG.name)

    def emit(self, record: logging.LogRecord) -> None:
        """Write the record and a line end."""
        try:
            sys.stderr.write(self.format(record) + "\n")
            sys.stderr.flush()
        except Exception:
            self.handleError(record)


_HANDLER = JsonLineHandler()
_run: dict[str, Any] = {}  # what every event of the night that runs in this process carries
_put_aside: list[logging.Handler] = []


def new_run_id() -> str:
    """Return an id for a night: no other one has it."""
    return str(uuid.uuid4())


def is_json() -> bool:
    """Tell whether events are written as JSON lines."""
    return _HANDLER in LOG.handlers


def write_as(log_format: str) -> None:
    """Write events as JSON lines ("json") from now on, warnings of libraries too; "text" writes none."""
    root = logging.getLogger()
    if log_format == JSON and not is_json():
        shown = [
            handler
            for handler in root.handlers
            if getattr(handler, "stream", None) in (sys.stdout, sys.stderr, sys.__stderr__)
        ]
        for handler in shown:  # else a library's own console handler writes the same line as text
            root.removeHandler(handler)
        _put_aside[:] = shown
        LOG.addHandler(_HANDLER)
        root.addHandler(_HANDLER)
    elif log_format != JSON and is_json():
        LOG.removeHandler(_HANDLER)
        root.removeHandler(_HANDLER)
        for handler in _put_aside:
            root.addHandler(handler)
        _put_aside.clear()
    logging.captureWarnings(log_format == JSON)


def begin_run(run_id: str) -> None:
    """Have every event from now on carry the id of this run."""
    _run.clear()
    _run["run_id"] = run_id


def begin_step(step: str) -> None:
    """Have events from now on carry the step, and say that it begins."""
    _run["step"] = str(step)
    LOG.info(step)


def end_step(step: str, seconds: float) -> None:
    """Say that the step is done, and how long it took [s]."""
    LOG.info("%s: done", step, extra={"seconds": seconds})
    _run.pop("step", None)


def set_as_of(as_of: date) -> None:
    """Have events from now on carry the night's day."""
    _run["as_of"] = str(as_of)


def end_run() -> None:
    """Have events from now on carry no run."""
    _run.clear()

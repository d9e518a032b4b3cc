"""The log as JSON lines: one object a line whatever is in it, and nothing unless it was asked for."""

from __future__ import annotations

import json
import logging
import sys
import warnings
from collections.abc import Iterator
from datetime import UTC, date, datetime

import pytest

from pipeline.core import event_log
from pipeline.core.event_log import JSON, LOG, SUMMARY_LOG, TEXT


@pytest.fixture(autouse=True)
def as_before() -> Iterator[None]:
    yield
    event_log.end_run()
    event_log.write_as(TEXT)


def test_text_writes_no_event_and_json_one_a_line(capsys: pytest.CaptureFixture[str]) -> None:
    LOG.warning("before")
    event_log.write_as(JSON)
    event_log.write_as(JSON)  # asked twice it is written once
    LOG.warning("two\nlines \u2028 of %s", "\x1b[2J")
    event_log.write_as(TEXT)
    LOG.warning("after")

    told = capsys.readouterr()
    (line,) = told.err.splitlines()
    event = json.loads(line)
    assert told.out == ""
    assert event["message"] == "two\nlines \u2028 of \x1b[2J"
    assert event["level"] == "warning"
    assert abs((datetime.now(UTC) - datetime.fromisoformat(event["time"])).total_seconds()) < 60
    assert event["time"].endswith("Z")


def test_bytes_of_a_name_that_are_no_text_are_written_as_json_can() -> None:
    record = logging.makeLogRecord(
        {"name": "nightclamp", "msg": "home \ud800"}
    )  # not logged: pytest keeps what is
    line = event_log.JsonFormatter().format(record)
    assert line.isascii()
    assert json.loads(line)["message"] == "home \ud800"


def test_events_of_a_night_carry_its_run_its_day_and_their_step(capsys: pytest.CaptureFixture[str]) -> None:
    event_log.write_as(JSON)
    event_log.begin_run("n1")
    event_log.begin_step("open the lake")
    event_log.set_as_of(date(2025, 6, 14))
    event_log.end_step("open the lake", 0.25)
    LOG.info("published", extra={"seconds": 3.0, "counts": {"homes": 8}})
    event_log.end_run()
    LOG.info("later")

    begun, ended, published, later = map(json.loads, capsys.readouterr().err.splitlines())
    assert begun.items() >= {"run_id": "n1", "step": "open the lake", "message": "open the lake"}.items()
    assert "as_of" not in begun
    assert ended.items() >= {"step": "open the lake", "seconds": 0.25, "as_of": "2025-06-14"}.items()
    assert published.items() >= {"run_id": "n1", "seconds": 3.0, "counts": {"homes": 8}}.items()
    assert "step" not in published
    assert not {"run_id", "as_of", "step"} & set(later)


def test_a_librarys_warnings_and_errors_are_events_too(capsys: pytest.CaptureFixture[str]) -> None:
    event_log.write_as(JSON)
    with warnings.catch_warnings():
        warnings.simplefilter("default")
        warnings.warn("soon gone", DeprecationWarning, stacklevel=1)
    try:
        raise ValueError("not so")
    except ValueError:
        logging.getLogger("some.library").exception("it failed")

    warned, failed = map(json.loads, capsys.readouterr().err.splitlines())
    assert (warned["logger"], warned["level"]) == ("py.warnings", "warning")
    assert "soon gone" in warned["message"]
    assert (failed["logger"], failed["message"]) == ("some.library", "it failed")
    assert "ValueError: not so" in failed["exception"]


def test_a_librarys_own_console_does_not_write_the_line_again(capsys: pytest.CaptureFixture[str]) -> None:
    root, console = logging.getLogger(), logging.StreamHandler(sys.stderr)
    root.addHandler(console)
    try:
        event_log.write_as(JSON)
        logging.getLogger("some.library").warning("once")
        (line,) = capsys.readouterr().err.splitlines()
        assert json.loads(line)["message"] == "once"
        event_log.write_as(TEXT)
        assert console in root.handlers
    finally:
        root.removeHandler(console)


def test_a_text_for_people_is_no_event(capsys: pytest.CaptureFixture[str]) -> None:
    event_log.write_as(JSON)
    SUMMARY_LOG.info("a table\nof homes")
    LOG.info("an event")

    (line,) = capsys.readouterr().err.splitlines()
    assert json.loads(line)["message"] == "an event"


def test_no_two_nights_have_one_run_id() -> None:
    assert len({event_log.new_run_id() for _ in range(100)}) == 100

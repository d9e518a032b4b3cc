"""What a flow says of its night: the command's text, the run's log at the server, JSON lines by the setting."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from prefect.client.orchestration import get_client
from prefect.client.schemas.filters import LogFilter, LogFilterFlowRunId
from prefect.client.schemas.objects import State

from flows.nightly import main as flow_main
from pipeline.commands import cli
from pipeline.commands.log_output import write_log_as
from pipeline.core.event_log import TEXT
from pipeline.core.steps import Step

STEPS = [step for step in Step if step != Step.CORRECT]


@pytest.fixture
def as_json(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("NIGHTCLAMP_LOG__FORMAT", "json")
    monkeypatch.setenv("NIGHTCLAMP_REPORT__HOME_PAGES", "0")
    yield
    write_log_as(TEXT)


def status_of(run: Any, *words: str | Path) -> int:
    try:
        run([str(word) for word in words])
    except SystemExit as left:
        return int(left.code or 0)
    return 0


def logged(state: State[Any], least: int) -> list[str]:
    """The messages of a flow run's log, which reach the server a moment later."""
    assert state.state_details.flow_run_id is not None
    only = LogFilter(flow_run_id=LogFilterFlowRunId(any_=[state.state_details.flow_run_id]))
    found: list[str] = []
    until = time.monotonic() + 30
    with get_client(sync_client=True) as client:
        while len(found) < least and time.monotonic() < until:
            time.sleep(0.2)
            found = [log.message for log in client.read_logs(only)]
    return found


def test_once_prints_what_the_command_prints(
    nights: SimpleNamespace,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.setenv("NIGHTCLAMP_REPORT__HOME_PAGES", "0")
    capsys.readouterr()
    assert status_of(cli.main, "nightly", nights.lake, "--out", tmp_path / "ours") == 0
    ours = capsys.readouterr().out
    assert status_of(flow_main, "--lake", nights.lake, "--out", tmp_path / "flow", "--once") == 0
    theirs = capsys.readouterr().out

    assert "Homes to revisit" in ours
    assert theirs == ours.replace(str(tmp_path / "ours"), str(tmp_path / "flow"))


def test_a_good_night_leaves_its_lines_in_the_runs_log(nights: SimpleNamespace) -> None:
    messages = logged(nights.state, 2 * len(STEPS) + 2)

    assert [message for message in messages if message in STEPS] == STEPS
    assert [f"{step}: done" for step in STEPS] == [text for text in messages if text.endswith(": done")]
    (summary,) = (message for message in messages if "Homes to revisit" in message)
    assert f"results: {nights.theirs / 'runs' / '2025-06-14'}" in summary
    assert f"report:  {nights.theirs / 'runs' / '2025-06-14' / 'report' / 'index.html'}" in summary
    assert f"rows: {nights.result.counts['rows_in']} in = " in summary
    listed = nights.result.revisit_list
    assert listed.height
    assert all(home in summary for home in listed["site_id"])


def test_by_the_setting_every_line_is_an_event_under_one_run_id(
    nights: SimpleNamespace, as_json: None, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capsys.readouterr()
    assert status_of(flow_main, "--lake", nights.lake, "--out", tmp_path / "out", "--once") == 0

    told = capsys.readouterr()
    events = [json.loads(line) for line in told.err.splitlines()]
    ours = [event for event in events if event["logger"] == "nightclamp"]
    assert [event["step"] for event in ours if event["message"] == event.get("step")] == STEPS
    record = json.loads((tmp_path / "out" / "latest" / "run.json").read_text(encoding="utf-8"))
    assert {event["run_id"] for event in ours} == {record["run_id"]}
    assert "Homes to revisit" in told.out
    assert Step.TAKE_IN not in told.out


def test_a_flow_that_fails_says_so_in_events(
    server: None, as_json: None, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    capsys.readouterr()
    assert status_of(flow_main, "--lake", tmp_path / "nowhere", "--once") == 2

    told = capsys.readouterr()
    events = [json.loads(line) for line in told.err.splitlines()]
    assert [event["level"] for event in events if event["logger"] == "nightclamp"] == ["error"]
    assert "no such folder" in events[-1]["message"]
    assert told.out == ""

"""A night's standard error with `[log] format = "json"`: every line an event, also of one that fails."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from lakes import DAY, build_lake, put, rows

from pipeline.commands import cli, stopping
from pipeline.commands.log_output import write_log_as
from pipeline.core.event_log import JSON, TEXT
from pipeline.core.steps import Step

STEPS = [step for step in Step if step != Step.CORRECT]


def run(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, str, list[dict[str, Any]]]:
    """Run the command; return its status, its standard output and the events on standard error."""
    with pytest.raises(SystemExit) as left:
        cli.main([str(word) for word in words])
    said = capsys.readouterr()
    return int(left.value.code or 0), said.out, [json.loads(line) for line in said.err.splitlines()]


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    root = build_lake(tmp_path / "lake")
    put(root, "part.parquet", pl.concat([rows("a", DAY), rows("b", DAY)]), DAY)
    return root


@pytest.fixture
def own(tmp_path: Path) -> Path:
    path = tmp_path / "own.toml"
    path.write_text('[log]\nformat = "json"\n[report]\nhome_pages = 0\n', encoding="utf-8")
    return path


def test_a_night_says_its_steps_in_order_under_one_run_id(
    lake: Path, own: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    status, said, events = run(capsys, "nightly", lake, "--out", out, "--settings", own)

    assert status == 0
    ended = [event for event in events if str(event["message"]).endswith(": done")]
    assert [event["step"] for event in ended] == STEPS
    assert all(event["seconds"] >= 0 for event in ended)
    begun = [event["step"] for event in events if event["message"] == event.get("step")]
    assert begun == STEPS
    record = json.loads((out / "latest" / "run.json").read_text(encoding="utf-8"))
    assert {event["run_id"] for event in events} == {record["run_id"]}
    assert {event["as_of"] for event in events[2:]} == {str(DAY)}
    assert [event["time"] for event in events] == sorted(event["time"] for event in events)
    (published,) = (event for event in events if "counts" in event and "seconds" in event)
    assert published["counts"] == record["counts"]
    assert published["message"] == f"published in {out / 'runs' / str(DAY)}"
    assert [event["level"] for event in events if event.get("code") == "stale"] == ["info"]
    # the summary stays on standard output, and no progress beside it
    assert "192 in = 192 used + 0 duplicate + 0 rejected" in said
    assert Step.TAKE_IN not in said


def test_no_customer_stands_in_the_log(
    lake: Path, own: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sites = pl.read_csv(lake / "sites.csv").with_columns(
        customer=pl.lit("Ada Hyde"), address=pl.lit("9 Elm Row")
    )
    sites.write_csv(lake / "sites.csv")

    _, said, events = run(capsys, "nightly", lake, "--out", tmp_path / "out", "--settings", own)

    assert events
    assert "Ada" not in said + json.dumps(events)
    assert "Elm" not in said + json.dumps(events)


def test_a_night_that_fails_says_so_in_one_event_with_its_step(
    lake: Path, own: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (lake / "sites.csv").write_text("home,area\na,north\n", encoding="utf-8")

    status, _, events = run(capsys, "nightly", lake, "--out", tmp_path / "out", "--settings", own)

    assert status == 2
    failed = [event for event in events if event["level"] == "error"]
    assert failed == events[-1:]
    assert "site_id" in failed[0]["message"]
    assert failed[0]["step"] == Step.OPEN_LAKE
    assert len({event["run_id"] for event in events}) == 1


@pytest.mark.parametrize(
    "words",
    [
        pytest.param(["nightly", "LAKE", "--when", "now"], id="unknown option"),
        pytest.param(["nightly", "nowhere"], id="no lake"),
        pytest.param(["nightly", "LAKE", "--settings", "nowhere.toml"], id="no settings"),
        pytest.param(["check", "nowhere"], id="another command"),
    ],
)
def test_by_the_environment_every_command_fails_in_one_event(
    lake: Path, words: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("NIGHTCLAMP_LOG__FORMAT", "json")

    status, _, events = run(capsys, *(str(lake) if word == "LAKE" else word for word in words))

    assert status == 2
    (failed,) = events
    assert failed["level"] == "error"


def test_a_stop_is_an_event_too(capsys: pytest.CaptureFixture[str]) -> None:
    write_log_as(JSON)
    with stopping.listening(to_the_end=False):
        stopping.leaves("nothing was published")
        stopping.tell_stop()
    write_log_as(TEXT)
    stopping.say("as text again")

    event, text = capsys.readouterr().err.splitlines()
    assert json.loads(event)["message"] == "stopped by the keyboard; nothing was published"
    assert text == "nightclamp: as text again"


def test_days_read_are_counted(
    lake: Path, own: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    put(lake, "part.parquet", rows("a", date(2025, 1, 1)), date(2025, 1, 1))
    _, _, events = run(capsys, "nightly", lake, "--out", tmp_path / "out", "--settings", own)

    days = [event for event in events if event.get("counts", {}).get("total")]
    assert days
    assert {event["step"] for event in days} == {Step.TAKE_IN}
    assert days[-1]["counts"] == {"done": 1, "total": 1}

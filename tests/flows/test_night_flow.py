"""The flow publishes the command's night, shows it, tries again what may pass, and fails with one line."""

from __future__ import annotations

import json
import shutil
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any, NoReturn

import duckdb
import polars as pl
import pytest
from prefect import State, flow
from prefect.client.orchestration import get_client
from prefect.client.schemas.filters import (
    ArtifactFilter,
    ArtifactFilterFlowRunId,
    FlowRunFilter,
    FlowRunFilterId,
)
from prefect.client.schemas.objects import Artifact, FlowRun, TaskRun

from flows import night_flow as module
from flows.night_flow import as_task, nightly
from flows.nightly import main
from pipeline.core.errors import InputError
from pipeline.core.percent_text import percent
from pipeline.core.steps import Step


def test_flow_and_command_publish_the_same_bytes(nights: SimpleNamespace) -> None:
    ours, theirs = (folder / "latest" for folder in (nights.ours, nights.theirs))
    not_compared = {Path(name) for name in ("run.json", "metrics.prom", "nightclamp.duckdb")}

    assert files(ours) == files(theirs)
    differing = [
        name
        for name in files(ours) - not_compared
        if (ours / name).read_bytes() != (theirs / name).read_bytes()
    ]
    assert differing == []
    assert without_seconds(ours) == without_seconds(theirs)


def test_flow_and_command_keep_the_same_tables(nights: SimpleNamespace) -> None:
    """A DuckDB file has a random identifier in it, so its tables are compared."""
    ours, theirs = (
        tables(folder / "latest" / "nightclamp.duckdb") for folder in (nights.ours, nights.theirs)
    )

    assert len(ours["site_scores"]) == 8
    assert ours == theirs


def test_each_step_is_a_task_run_and_the_flow_run_has_the_date(nights: SimpleNamespace) -> None:
    assert flow_run_of(nights.state).name == "night of 2025-06-14"
    steps = set(nights.result.seconds)

    assert {run.name for run in task_runs_of(nights.state, len(steps))} == steps


def test_list_artifact_has_the_top_of_the_list(nights: SimpleNamespace) -> None:
    rows = json.loads(artifact_of(nights.state, "nightclamp-list"))
    listed = nights.result.revisit_list

    assert rows
    assert [row["home"] for row in rows] == listed["site_id"].to_list()
    assert [row["evidence"] for row in rows] == listed["evidence"].to_list()
    assert all("_" not in row["suspected"] for row in rows)
    assert [row["this fault"] for row in rows] == [percent(share) for share in listed["fault_likelihood"]]
    assert [row["any fault"] for row in rows] == [percent(share) for share in listed["likelihood"]]


def test_night_artifact_says_what_came_was_late_missing_and_rejected(nights: SimpleNamespace) -> None:
    account = artifact_of(nights.state, "nightclamp-night").splitlines()
    counts = nights.result.counts

    assert account[0] == "# Night of 2025-06-14"
    assert (
        f"- rows: {counts['rows_in']} in = {counts['rows_used']} used + 0 duplicate + 1 rejected" in account
    )
    # The night's own day is new, one is late, the other three were read on the eve.
    assert "- 2 of 5 days read, the others unchanged" in account
    assert "- late: 2025-06-12" in account
    assert "- missing days: 2025-06-11" in account
    assert any(
        line.startswith("| 1 | unknown home") and "date=2025-06-12/late.csv" in line for line in account
    )
    assert any(str(nights.theirs / "runs" / "2025-06-14") in line for line in account)


def test_failed_night_ends_as_failed_with_its_line(server: None, tmp_path: Path) -> None:
    state: State[str] = nightly(str(tmp_path / "nowhere"), str(tmp_path / "out"), return_state=True)

    assert state.is_failed()
    assert state.message == (
        f"{tmp_path / 'nowhere'}: no such folder; name a lake's folder (sites, crews, visits, intervals/date=.../)"
    )
    assert flow_run_of(state).name == "night"
    with pytest.raises(InputError, match="no such folder"):
        nightly(str(tmp_path / "nowhere"), str(tmp_path / "out"))


def test_night_with_an_alarm_is_published_and_ends_as_failed_for_the_hooks(
    nights: SimpleNamespace,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """All but two of eight homes silent: latest has the list, the artifact the alarm, and each failure hook ran."""
    monkeypatch.setenv("NIGHTCLAMP_ALARM__LEAST_HOMES", "5")
    monkeypatch.setenv("NIGHTCLAMP_REPORT__HOME_PAGES", "0")
    lake, out = tmp_path / "lake", tmp_path / "out"
    shutil.copytree(nights.lake, lake)
    (file,) = (lake / "intervals" / "date=2025-06-14").glob("*.parquet")
    rows = pl.read_parquet(file)
    rows.filter(pl.col("site_id").is_in(rows["site_id"].unique().sort()[:2].to_list())).write_parquet(file)
    heard: list[str] = []
    hooks = [*nightly.on_failure_hooks, lambda flow, flow_run, state: heard.append(state.message)]
    monkeypatch.setattr(nightly, "on_failure_hooks", hooks)

    state: State[str] = nightly(str(lake), str(out), return_state=True)

    assert state.is_failed()
    assert heard == [state.message]
    assert str(state.message).startswith(
        f"published in {out}/runs/2025-06-14, with an alarm: 6 of 8 homes (75%) heard in the 7 days before"
    )
    assert (out / "latest" / "revisit_list.csv").is_file()
    account = artifact_of(state, "nightclamp-night").splitlines()
    assert account[2].startswith("**Alarm:** 6 of 8 homes (75%)")
    assert json.loads(artifact_of(state, "nightclamp-list"))

    with pytest.raises(SystemExit) as left:
        main(["--lake", str(lake), "--out", str(out), "--once"])
    assert left.value.code == 3
    told = capsys.readouterr()
    assert f"results: {out}/runs/2025-06-14" in told.out
    assert "ALARM: 6 of 8 homes (75%) heard in the 7 days before" in told.out.splitlines()[-1]


def test_step_that_reads_is_tried_again_when_the_disk_was_away(
    server: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(module.RETRY_AFTER_S, Step.TAKE_IN, [0, 0])
    tries: list[str] = []

    def read(lake: str) -> str:
        tries.append(lake)
        if len(tries) < 3:
            raise OSError("the share is away")
        return f"{lake} read"

    assert in_a_flow(lambda: as_task(Step.TAKE_IN, read, "fleet")) == "fleet read"
    assert tries == ["fleet"] * 3


@pytest.mark.parametrize(
    ("step", "error"),
    [
        pytest.param(Step.TAKE_IN, InputError("sites.csv, row 3: no site_id"), id="wrong input"),
        pytest.param(Step.PUBLISH, OSError("no room left"), id="a step that only renames"),
    ],
)
def test_some_failures_are_not_tried_again(
    server: None, monkeypatch: pytest.MonkeyPatch, step: Step, error: Exception
) -> None:
    monkeypatch.setitem(module.RETRY_AFTER_S, Step.TAKE_IN, [0, 0])
    tries: list[str] = []

    def fail() -> NoReturn:
        tries.append(step)
        raise error

    with pytest.raises(type(error), match=str(error)):
        in_a_flow(lambda: as_task(step, fail))
    assert tries == [step]


def in_a_flow(action: Callable[[], Any]) -> Any:
    return flow(action, name="a step alone")()


def files(folder: Path) -> set[Path]:
    return {path.relative_to(folder) for path in folder.rglob("*") if path.is_file()}


def without_seconds(folder: Path) -> dict[str, Any]:
    run: dict[str, Any] = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    assert set(run.pop("seconds")) == set(Step) - {Step.PUBLISH, Step.CORRECT}
    assert run.pop("freshness")["verdict"] == "history"  # its hours are those of the night
    run.pop("run_id")
    for name in ("nightclamp.duckdb", "metrics.prom"):  # an identifier of its own, seconds again
        del run["files"][name]
    return run


def tables(database: Path) -> dict[str, list[Any]]:
    with duckdb.connect(str(database), read_only=True) as con:
        names = [name for (name,) in con.sql("SHOW TABLES").fetchall()]
        return {name: con.table(name).fetchall() for name in names}


def flow_run_of(state: State[Any]) -> FlowRun:
    assert state.state_details.flow_run_id is not None
    with get_client(sync_client=True) as client:
        return client.read_flow_run(state.state_details.flow_run_id)


def task_runs_of(state: State[Any], expected: int) -> list[TaskRun]:
    """Task runs reach the server as events, a moment later."""
    only = FlowRunFilter(id=FlowRunFilterId(any_=[flow_run_of(state).id]))
    found: list[TaskRun] = []
    until = time.monotonic() + 30
    with get_client(sync_client=True) as client:
        while len(found) < expected and time.monotonic() < until:
            time.sleep(0.1)
            found = client.read_task_runs(flow_run_filter=only)
    return found


def artifact_of(state: State[Any], key: str) -> str:
    only = ArtifactFilter(flow_run_id=ArtifactFilterFlowRunId(any_=[flow_run_of(state).id]))
    with get_client(sync_client=True) as client:
        found: list[Artifact] = [a for a in client.read_artifacts(artifact_filter=only) if a.key == key]
    assert len(found) == 1
    return str(found[0].data)

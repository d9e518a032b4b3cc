"""The night on a schedule: what the command refuses, and that the deployment file fits the flow."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
import yaml
from prefect.flows import load_flow_from_entrypoint
from prefect.settings import PREFECT_API_URL, temporary_settings

import flows
from flows import nightly as served
from flows.nightly import main, nightly_schedule, scheduling_server
from pipeline.core.errors import NightFailed


def test_cron_runs_in_its_time_zone() -> None:
    schedule = nightly_schedule("30 3 * * *", "America/Denver")

    assert (schedule.cron, schedule.timezone) == ("30 3 * * *", "America/Denver")


@pytest.mark.parametrize(
    ("given", "said"),
    [
        pytest.param(["--cron", "at night"], "--cron 'at night'", id="no cron"),
        pytest.param(["--timezone", "Denver"], "--timezone 'Denver'", id="no time zone"),
        pytest.param(["--as-of", "2025-06-14"], "goes with --once", id="a fixed day every night"),
        pytest.param(["--make-latest"], "goes with --once", id="every night the latest"),
        pytest.param([], "no such folder", id="no lake"),
        pytest.param(["--when", "now"], "--when", id="unknown option"),
    ],
)
def test_wrong_use_is_one_line_and_exit_status_2(
    given: list[str],
    said: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    with pytest.raises(SystemExit) as stopped:
        main(["--lake", str(tmp_path / "nowhere"), *given])

    assert stopped.value.code == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("nightclamp: ")
    assert said in line


def test_given_server_is_the_one_that_schedules(server: None) -> None:
    given = PREFECT_API_URL.value()

    with scheduling_server():
        assert PREFECT_API_URL.value() == given


def test_given_server_that_does_not_answer_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with (
        temporary_settings({PREFECT_API_URL: "http://127.0.0.1:1/api"}),
        pytest.raises(SystemExit) as stopped,
    ):
        main(["--lake", str(tmp_path), "--once"])

    assert stopped.value.code == 1
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("nightclamp: PREFECT_API_URL http://127.0.0.1:1/api: no server answers")


def test_a_cluster_elsewhere_without_a_server_that_its_workers_reach_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with (
        temporary_settings(restore_defaults={PREFECT_API_URL}),
        pytest.raises(SystemExit) as stopped,
    ):
        main(["--lake", str(tmp_path), "--once", "--dask", "tcp://cluster:8786"])

    assert stopped.value.code == 2
    (line,) = capsys.readouterr().err.splitlines()
    assert line.startswith("nightclamp: --dask tcp://cluster:8786: set PREFECT_API_URL to a server")


def test_own_server_that_does_not_start_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(served, "PORT", 1)
    monkeypatch.setattr(sys, "executable", "false")

    with (
        temporary_settings(restore_defaults={PREFECT_API_URL}),
        pytest.raises(NightFailed, match="the scheduling server did not start"),
        scheduling_server(),
    ):
        pass


def test_deployment_file_fits_the_flow() -> None:
    deployed = Path(flows.__file__).with_name("prefect.yaml").read_text(encoding="utf-8")
    (deployment,) = yaml.safe_load(deployed)["deployments"]
    nightly = load_flow_from_entrypoint(deployment["entrypoint"])
    (schedule,) = deployment["schedules"]

    given = deployment["parameters"]
    assert nightly.validate_parameters(given) == {**given, "as_of": None, "dask": None, "make_latest": False}
    assert nightly_schedule(schedule["cron"], schedule["timezone"]).timezone == "America/Denver"
    assert deployment["concurrency_limit"]["limit"] == 1

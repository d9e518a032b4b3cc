"""The systemd units, as far as a machine without a running systemd can try them."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from lakes import DAY, build_lake, put, rows

import flows
from pipeline.core.alarm import EXIT_STATUS
from pipeline.core.errors import InputError, NightFailed
from pipeline.core.settings import load_settings

UNITS = Path(flows.__file__).parent / "systemd"
SERVICE, TIMER = UNITS / "nightclamp-nightly.service", UNITS / "nightclamp-nightly.timer"
INSTALLED = "/opt/nightclamp/bin/nightclamp"
TOOL = shutil.which("systemd-analyze")
needs_systemd = pytest.mark.skipif(TOOL is None, reason="systemd-analyze is not on this machine")


def lines_of(path: Path) -> list[tuple[str, str, str]]:
    """Return (section, key, value) of a unit, as written."""
    section, found = "", []
    for line in path.read_text(encoding="utf-8").splitlines():
        if line.startswith("["):
            section = line.strip("[]")
        elif line and not line.startswith("#"):
            key, _, value = line.partition("=")
            found.append((section, key, value))
    return found


def values(path: Path, key: str) -> list[str]:
    return [value for _, name, value in lines_of(path) if name == key]


def environment() -> dict[str, str]:
    return dict(value.split("=", 1) for value in values(SERVICE, "Environment"))


def test_the_timer_starts_the_service_of_its_name_and_makes_up_for_a_missed_night() -> None:
    assert TIMER.stem == SERVICE.stem
    assert values(TIMER, "Persistent") == ["true"]
    assert values(TIMER, "WantedBy") == ["timers.target"]
    assert [section for section, _, _ in lines_of(SERVICE) if section == "Install"] == []


def test_its_environment_holds_settings_that_there_are(monkeypatch: pytest.MonkeyPatch) -> None:
    example = [
        line.strip("#").split("=", 1)
        for line in (UNITS / "nightclamp.env").read_text(encoding="utf-8").splitlines()
        if re.match(r"#?[A-Z_]+=", line)
    ]
    given = environment() | dict(example)
    for name, value in given.items():
        monkeypatch.setenv(name, value)
    settings = load_settings()

    assert {name for name in given if name.startswith("NIGHTCLAMP_")}
    assert settings.log.format == "json"
    assert settings.alarm.stale_days < settings.alarm.history_days


def test_only_what_may_pass_is_tried_again() -> None:
    (never,) = values(SERVICE, "RestartPreventExitStatus")
    assert values(SERVICE, "Restart") == ["on-failure"]
    assert set(map(int, never.split())) == {InputError.exit_status, EXIT_STATUS}
    assert NightFailed.exit_status not in map(int, never.split())
    # an alarm is a failed unit, so that OnFailure= runs
    assert values(SERVICE, "SuccessExitStatus") == []


def test_its_command_runs_a_night(tmp_path: Path) -> None:
    """ExecStart's words with its own environment, on a lake and into an OUT of this machine."""
    lake = build_lake(tmp_path / "lake")
    put(lake, "part.parquet", pl.concat([rows("a", DAY), rows("b", DAY)]), DAY)
    (command,) = values(SERVICE, "ExecStart")
    place = {"LAKE": str(lake), "OUT": str(tmp_path / "out")}
    words = [re.sub(r"\$\{(\w+)\}", lambda found: place[found[1]], word) for word in command.split()]
    assert words[0] == INSTALLED
    kept = {name: value for name, value in environment().items() if name.startswith("NIGHTCLAMP_")}

    run = subprocess.run(
        [sys.executable, "-m", "pipeline.commands.cli", *words[1:]],
        env={**os.environ, **kept}, capture_output=True, text=True, check=False,
    )  # fmt: skip

    # its only day is long past, which under a schedule is an alarm
    assert run.returncode == EXIT_STATUS, run.stderr
    assert '"code": "stale"' in run.stderr
    assert (tmp_path / "out" / "latest" / "run.json").is_file()


@pytest.fixture
def here(tmp_path: Path) -> Callable[[Path], Path]:
    """A unit with a command that is on this machine."""
    command = tmp_path / "nightclamp"
    command.write_text("#!/bin/sh\n")
    command.chmod(0o755)

    def copy(path: Path) -> Path:
        text = path.read_text(encoding="utf-8").replace(INSTALLED, str(command))
        (tmp_path / path.name).write_text(text, encoding="utf-8")
        return tmp_path / path.name

    return copy


@needs_systemd
def test_systemd_takes_both_units(here: Callable[[Path], Path]) -> None:
    units = [str(here(path)) for path in (SERVICE, TIMER)]
    said = subprocess.run(
        [str(TOOL), "verify", "--man=no", *units], capture_output=True, text=True, check=False
    )
    ours = [line for line in said.stderr.splitlines() if "nightclamp" in line]
    assert (ours, said.returncode) == ([], 0)


@needs_systemd
def test_systemd_finds_the_service_little_exposed(here: Callable[[Path], Path]) -> None:
    words = [str(TOOL), "security", "--offline=true", "--threshold=20", "--no-pager", str(here(SERVICE))]
    said = subprocess.run(words, capture_output=True, text=True, check=False)
    if "unrecognized option" in said.stderr:
        pytest.skip("this systemd-analyze does not look at units offline")
    assert said.returncode == 0, said.stdout[-200:] + said.stderr


@needs_systemd
def test_systemd_knows_when_the_timer_elapses() -> None:
    (when,) = values(TIMER, "OnCalendar")
    said = subprocess.run([str(TOOL), "calendar", when], capture_output=True, text=True, check=False)
    assert said.returncode == 0
    assert "Next elapse" in said.stdout

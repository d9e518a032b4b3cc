"""The container file, without anything that builds one: its lines name what there is; test_wheel runs its steps."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from container_file import Instruction, read_container_file

from pipeline.commands.app import app
from pipeline.core.settings import load_settings

ROOT = Path(__file__).parents[2]
LINES = read_container_file(ROOT / "flows" / "Containerfile")


def of(name: str) -> list[Instruction]:
    return [line for line in LINES if line.name == name]


def test_it_names_no_host_and_no_secret() -> None:
    (base,) = of("ARG")
    name, _, image = base.text.partition("=")
    assert name == "BASE"
    assert "/" not in image
    assert {line.text.split()[0] for line in of("FROM")} == {"${BASE}"}
    assert [line for line in LINES if "://" in line.text or "KEY" in line.text or "SECRET" in line.text] == []


def test_it_does_not_run_as_root_and_keeps_data_outside() -> None:
    (user,) = of("USER")
    assert user.text.split(":")[0] not in ("root", "0")
    assert LINES.index(user) > max(LINES.index(line) for line in of("RUN"))
    (volumes,) = of("VOLUME")
    assert json.loads(volumes.text) == ["/lake", "/out"]


def test_what_it_copies_is_there_and_let_through() -> None:
    copied = [
        word.strip("./")
        for line in of("COPY")
        if not line.text.startswith("--from")
        for word in line.text.split()[:-1]
    ]
    kept = (ROOT / ".containerignore").read_text(encoding="utf-8").splitlines()

    assert {"pyproject.toml", "pipeline", "flows", "sql"} <= set(copied)
    assert all((ROOT / name).exists() for name in copied)
    assert sorted(line.removeprefix("!") for line in kept if line.startswith("!")) == sorted(copied)


def test_it_starts_a_night(monkeypatch: pytest.MonkeyPatch) -> None:
    (entry,), (words,) = of("ENTRYPOINT"), of("CMD")
    assert json.loads(entry.text) == ["nightclamp"]
    command, bound, _ = app.parse_args(json.loads(words.text), print_error=False, exit_on_error=False)
    assert command.__name__ == "nightly"
    assert {name: str(value) for name, value in bound.arguments.items()} == {"lake": "/lake", "out": "/out"}


def test_its_environment_holds_settings_that_there_are(monkeypatch: pytest.MonkeyPatch) -> None:
    (environment,) = of("ENV")
    for pair in environment.text.split():
        monkeypatch.setenv(*pair.split("=", 1))
    assert load_settings().log.format == "json"

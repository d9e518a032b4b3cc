"""Completion in a shell: bash itself offers the commands and a command's options."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from pipeline.commands import cli
from pipeline.commands.app import GROUPS


@pytest.fixture
def script(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """What `--install-completion` writes for bash, in a home of its own."""
    monkeypatch.setenv("HOME", str(tmp_path))
    target = tmp_path / "nightclamp"
    with pytest.raises(SystemExit, match="0"):
        cli.main(["--install-completion", "--shell", "bash", "--output", str(target)])
    return target


def offered(script: Path, *words: str) -> set[str]:
    """Ask bash what it offers for the last of the words."""
    function = next(
        line.split()[line.split().index("-F") + 1]
        for line in script.read_text(encoding="utf-8").splitlines()
        if line.startswith("complete ")
    )
    typed = " ".join(f"'{word}'" for word in words)
    ask = (
        f"source {script}; COMP_WORDS=({typed}); COMP_CWORD={len(words) - 1}; {function}; "
        "printf '%s\\n' \"${COMPREPLY[@]}\""
    )
    told = subprocess.run(["bash", "-c", ask], capture_output=True, text=True, check=True)
    return {word.strip() for word in told.stdout.split("\n")} - {""}


@pytest.mark.skipif(shutil.which("bash") is None, reason="no bash here")
def test_bash_offers_every_command_and_every_option(script: Path) -> None:
    commands = {command.__name__ for group in GROUPS.values() for command in group}
    assert commands <= offered(script, "nightclamp", "")
    assert offered(script, "nightclamp", "or") == {"orders"}
    assert {"--out", "--json", "--rows", "--settings"} <= offered(script, "nightclamp", "nightly", "--")


def test_it_says_where_it_is_installed(script: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit, match="0"):
        cli.main(["--install-completion", "--shell", "bash", "--output", str(script)])
    assert str(script) in capsys.readouterr().out

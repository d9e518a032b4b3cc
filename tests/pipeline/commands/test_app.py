"""The list of commands: each stands in a group, with an example and the option for settings of one's own."""

from __future__ import annotations

import contextlib

import pytest

from pipeline.commands import cli
from pipeline.commands.app import GROUPS


def help_of(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    with contextlib.suppress(SystemExit):
        cli.main([*words, "--help"])
    return " ".join(capsys.readouterr().out.replace("│", " ").split())


def test_help_groups_the_commands_by_their_use_and_shows_each_with_an_example(
    capsys: pytest.CaptureFixture[str],
) -> None:
    told = help_of(capsys)
    titles = [title for title in ("Every day", "Now and then", "Studies") if f"─ {title} ─" in told]
    assert titles == list(GROUPS)
    for commands in GROUPS.values():
        for command in commands:
            told = help_of(capsys, command.__name__)
            assert f"Example: nightclamp {command.__name__}" in told
            if command.__name__ not in ("simulate", "wirings"):  # which no setting changes
                assert "TOML file of your own settings" in told

"""Progress: a line a step and a tenth in a log, one line that goes on a terminal, nothing garbled."""

from __future__ import annotations

import io

from rich.console import Console

from pipeline.commands.progress import progress, terminal_progress
from pipeline.core.progress import counted


def told(*, is_terminal: bool) -> str:
    console = Console(file=io.StringIO(), force_terminal=is_terminal, width=100)
    with progress(console) as tell:
        tell("take in the days")
        for day in range(1, 29):
            tell(counted("read", day, 28, "days"))
        for home in range(1, 4):
            tell(counted("drawn", home, 3, "homes"))
        tell("score [red]the homes\x1b[2J")
    return console.file.getvalue()  # type: ignore[attr-defined]


def test_a_log_has_a_line_a_step_and_one_a_tenth_of_what_is_counted() -> None:
    lines = told(is_terminal=False).splitlines()
    assert lines[0] == "take in the days"
    assert lines[1:11] == [f"read, {n} of 28 days" for n in (3, 6, 9, 12, 14, 17, 20, 23, 26, 28)]
    assert lines[11:] == [*(f"drawn, {n} of 3 homes" for n in (1, 2, 3)), "score [red]the homes\\x1b[2J"]


def test_a_terminal_has_one_line_that_goes() -> None:
    text = told(is_terminal=True)
    assert "\\x1b[2J" in text
    assert "\x1b[2J" not in text
    assert text.endswith("\x1b[2K")  # the line is wiped


def test_commands_that_tell_by_themselves_add_nothing_to_a_log() -> None:
    console = Console(file=io.StringIO())
    with terminal_progress(console) as tell:
        tell("reading")
    assert console.file.getvalue() == ""  # type: ignore[attr-defined]

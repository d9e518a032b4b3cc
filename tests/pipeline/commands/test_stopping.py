"""A command that is stopped says one line and ends with 128 + the signal's number; unread output ends it quietly."""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from rich.console import Console

from pipeline.commands import cli, stopping
from pipeline.commands.progress import progress

SAMPLE = str(Path(__file__).parents[3] / "sample_lake")
COMMAND = (sys.executable, "-m", "pipeline.commands.cli")


def stop(words: list[str], signal_number: int, *, when: str = "", after_s: float = 0.0) -> tuple[int, str]:
    """Start a command, send the signal to it and its workers once it printed `when` and so long after; what it said."""
    with subprocess.Popen(
        (*COMMAND, *words), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        env={**os.environ, "PYTHONUNBUFFERED": "1"},
    ) as process:  # fmt: skip
        assert process.stdout is not None
        while when and when not in (line := process.stdout.readline()):
            assert line, "ended before it was stopped"
        time.sleep(after_s)
        os.killpg(process.pid, signal_number)
        _, complaint = process.communicate(timeout=120)
    return process.returncode, complaint


@pytest.mark.parametrize("after_s", [0.25, 0.5, 0.8, 1.2])
def test_ctrl_c_while_a_command_is_loaded_is_one_line(after_s: float) -> None:
    status, complaint = stop(["check", SAMPLE, "--all-days"], signal.SIGINT, after_s=after_s)
    assert (status, complaint) == (130, "nightclamp: stopped by the keyboard; nothing was changed\n")


@pytest.mark.parametrize(
    ("number", "told"), [(signal.SIGINT, "stopped by the keyboard"), (signal.SIGTERM, "stopped by SIGTERM")]
)
def test_a_night_that_is_stopped_publishes_nothing(number: int, told: str, tmp_path: Path) -> None:
    words = ["nightly", SAMPLE, "--out", str(tmp_path / "out")]
    status, complaint = stop(words, number, when="take in the days", after_s=0.5)
    assert (status, complaint) == (128 + number, f"nightclamp: {told}; nothing was published\n")
    assert not (tmp_path / "out" / "latest").exists()


@pytest.mark.parametrize("after_s", [0.1, 2.5])
def test_workers_end_without_a_word(after_s: float) -> None:
    """While they are started, and while the command waits for them."""
    words = ["fairness", "--replications", "500", "--sites", "0", "--workers", "2"]
    status, complaint = stop(words, signal.SIGINT, when="  ", after_s=after_s)
    assert (status, complaint) == (130, "nightclamp: stopped by the keyboard; nothing was changed\n")


def test_a_reader_who_goes_ends_it_quietly() -> None:
    with subprocess.Popen(
        (*COMMAND, "check", SAMPLE), stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        process.stdout.close()
        assert process.stderr is not None
        complaint = process.stderr.read()
    assert (process.returncode, complaint) == (141, "")


def test_whatever_error_a_stop_leads_to_is_the_stop(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken_off(words: list[str]) -> int:
        stopping.leaves("half is done")
        try:
            signal.raise_signal(signal.SIGTERM)
        except KeyboardInterrupt as error:
            raise RuntimeError("query interrupted") from error
        return 0

    monkeypatch.setattr("pipeline.commands.app.run_words", broken_off)
    before = signal.getsignal(signal.SIGINT)
    with pytest.raises(SystemExit) as left:
        cli.main(["check"])
    assert left.value.code == 143
    assert capsys.readouterr().err == "nightclamp: stopped by SIGTERM; half is done\n"
    assert signal.getsignal(signal.SIGINT) is before


def test_a_stop_that_was_swallowed_comes_again(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    class Swallows:
        def __del__(self) -> None:
            signal.raise_signal(signal.SIGINT)

    def run(words: list[str]) -> int:
        one = Swallows()
        del one
        time.sleep(5)
        return 0

    monkeypatch.setattr("pipeline.commands.app.run_words", run)
    with pytest.raises(SystemExit) as left:
        cli.main(["check"])
    assert left.value.code == 130
    assert capsys.readouterr().err.startswith("nightclamp: stopped by the keyboard;")


def test_the_command_line_listens_before_anything_big_is_loaded() -> None:
    told = subprocess.run(
        [sys.executable, "-c", "import sys, pipeline.commands.cli; print(*sys.modules)"],
        capture_output=True, check=True, text=True,
    ).stdout.split()  # fmt: skip
    assert not {"cyclopts", "polars", "duckdb", "numpy"} & set(told)


def test_a_stop_that_a_library_kept_to_itself_comes_with_the_next_line_of_progress(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def run(words: list[str]) -> int:
        with progress(Console()) as tell:
            with contextlib.suppress(KeyboardInterrupt):
                signal.raise_signal(signal.SIGINT)
            tell("the next step")
        return 0

    monkeypatch.setattr("pipeline.commands.app.run_words", run)
    with pytest.raises(SystemExit) as left:
        cli.main(["check"])
    assert left.value.code == 130
    assert capsys.readouterr().out == ""

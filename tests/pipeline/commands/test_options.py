"""Every option of every command with values that make no sense: one line and exit status 2, or done; no traceback."""

from __future__ import annotations

import inspect
import os
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import get_args

import polars as pl
import pytest
from command_line import run_command
from lakes import DAY, build_lake, put, rows

from pipeline.commands.app import GROUPS
from pipeline.commands.options import ServiceName
from pipeline.core.errors import InputError
from pipeline.core.services import SERVICES

JUNK = (
    "-1", "0", "99999999999999999999", "1e400", "nan", "-inf", "", "often", "true", "9999-12-31", "0001-01-01",
    "\udcff",
)  # fmt: skip
PATHS = ("nothing/there", "folder", "binary", "pipe", "link", "loop", "x" * 300)
# What takes minutes once its options are taken: here it only says so.
LONG = (
    "pipeline.evaluation.validation.run.validate", "pipeline.evaluation.crew_recovery.study.run_study",
    "pipeline.evaluation.policy_simulation.run.simulate_policies", "pipeline.evaluation.benchmark.time_fleets",
    "pipeline.evaluation.correction_coverage.measure_coverage", "pipeline.commands.benchmark.show_corrections",
    "pipeline.simulate.lake.write_lake", "pipeline.simulate.sample.write_sample_lake",
    "pipeline.learning.lessons.train", "pipeline.evaluation.mornings.study.simulate_fleet",
    "pipeline.evaluation.validation.services.judge_services",
    "pipeline.simulate.sample_three_lines.write_sample_of",
)  # fmt: skip
FIRST = dict.fromkeys(("nightly", "check", "utility", "dispatch", "correct"), "LAKE")
FIRST |= {"explain": "a", "simulate": "made"}
COMMANDS = [function for functions in GROUPS.values() for function in functions]


def command(*words: str | Path) -> tuple[int, str]:
    """Run `nightclamp` here; return exit status and the one line that it complained in, if it did."""
    status, out, err = run_command(*words)
    told = "".join(line for line in err.splitlines(keepends=True) if line.startswith("nightclamp: "))
    assert told.count("\n") == (status in (1, 2) and not (words[0] == "check" and "problem" in out))
    return status, told


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a lake, its published night, and things that are no files to read."""
    root = tmp_path_factory.mktemp("options")
    put(build_lake(root / "LAKE"), "1.parquet", pl.concat([rows("a"), rows("b")]))
    assert command("nightly", root / "LAKE", "--out", root / "nightclamp-out", "--as-of", str(DAY))[0] == 0
    (root / "folder").mkdir()
    (root / "binary").write_bytes(bytes(range(256)) * 10)
    os.mkfifo(root / "pipe")
    (root / "link").symlink_to(root / "gone")
    (root / "loop").symlink_to(root / "loop")
    return root


def options(function: object) -> Iterator[str]:
    for name, parameter in inspect.signature(function).parameters.items():  # type: ignore[arg-type]
        if parameter.kind is parameter.KEYWORD_ONLY:
            yield f"--{name.replace('_', '-')}"


@pytest.mark.parametrize("function", COMMANDS, ids=lambda function: function.__name__)
def test_whatever_an_option_says_is_one_line_or_done(
    function: object, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def long(*_: object, **__: object) -> None:
        raise InputError("taken, and not run")

    monkeypatch.chdir(place)
    for name in LONG:
        monkeypatch.setattr(name, long)
    name = function.__name__  # type: ignore[attr-defined]
    told: Counter[int] = Counter()
    given = [FIRST[name]] if name in FIRST else []
    for option in options(function):
        is_path = option in ("--out", "--model", "--keep", "--settings")
        for value in (*JUNK, *PATHS) if is_path else JUNK:
            if option == "--out" and value in JUNK and value != "":
                continue  # a name like any other
            told[command(name, *given, f"{option}={value}")[0]] += 1
    for value in (*JUNK, *PATHS) if given else ():
        if name != "simulate":
            told[command(name, value)[0]] += 1
    assert told[2] > told.total() / 2
    assert told[1] <= 2


def test_a_service_can_be_asked_for_by_every_name_that_there_is() -> None:
    assert get_args(ServiceName) == tuple(SERVICES)


def test_an_empty_word_is_not_the_folder_one_stands_in(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(place)
    before = sorted(place.iterdir())
    status, complaint = command("nightly", "LAKE", "--out", "")
    assert (status, complaint) == (
        2,
        "nightclamp: a word of the command is empty; is a variable of the script not set?\n",
    )
    assert sorted(place.iterdir()) == before


@pytest.mark.parametrize(
    ("words", "complaint"),
    [
        ("simulate x --sites -1", 'Invalid value "-1" for --sites. Choose from 1 to 10,000,000.'),
        ("simulate x --fault-share nan", 'Invalid value "nan" for --fault-share. Choose from 0.0 to 1.0.'),
        ("simulate x --end 0001-01-01", "Choose a day from 1979-12-30 to 2100-12-31."),
        ("bench --homes 5 --homes 0", "Choose from 1 to 10,000,000."),
        ("rehearse --workers 0", 'Invalid value "0" for --workers. Choose from 1 to 256.'),
        ("dispatch LAKE --trucks 100000", "--trucks: 100000 is not from 1 to 500 trucks"),
        ("dispatch LAKE --hours nan", "--hours: nan is not a number from 0.1 to 24 h"),
    ],
)
def test_the_line_says_what_may_be_chosen(
    words: str, complaint: str, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(place)
    status, told = command(*words.split())
    assert status == 2
    assert complaint in told

"""The command `backfill`: a line a night, what was left alone, and how it ends."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from lakes import DAY, build_lake, put, rows

from pipeline.commands import cli
from pipeline.core.settings import load_settings
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import run_night

LATER = [DAY + timedelta(days=number) for number in (1, 3)]


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    root = build_lake(tmp_path / "lake")
    for day in (DAY, *LATER):
        put(root, "a.parquet", rows("a", day), day)
    return root


@pytest.fixture
def run(lake: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, list[str], str]]:
    def call(*words: str) -> tuple[int, list[str], str]:
        status = 0
        try:
            cli.main(["backfill", str(lake), *words, "--out", str(lake.parent / "out")])
        except SystemExit as left:
            status = int(left.code or 0)
        told = capsys.readouterr()
        return status, told.out.splitlines(), told.err

    return call


def test_a_line_a_night_then_what_was_left_alone_and_which_nights_to_make_again(
    run: Callable[..., tuple[int, list[str], str]], lake: Path, tmp_path: Path
) -> None:
    run_night(NightRequest(lake, tmp_path / "out", LATER[1]), load_settings())
    status, told, complaints = run("--from", str(DAY))

    assert (status, complaints) == (0, "")
    nights = [line for line in told if line.startswith("night of")]
    assert [line.split(":")[0] for line in nights] == [
        f"night of {DAY}, 1 of 2",
        f"night of {LATER[0]}, 2 of 2",
    ]
    assert told[-5].startswith(f"2 nights published, {DAY} to {LATER[0]}, in ")
    assert told[-4:] == [
        "1 night published before and left alone; --again makes them anew",
        f"skipped, no data in the lake: {DAY + timedelta(days=2)}",
        f"the nights of {LATER[1]} to {LATER[1]} were made without this history; make them again: nightclamp backfill"
        f" {lake} --from {LATER[1]} --to {LATER[1]} --again --out {tmp_path / 'out'}",
        f"results: {tmp_path / 'out'}",
    ]

    status, told, _ = run("--from", str(DAY), "--json")
    document = json.loads("\n".join(told))
    assert status == 0
    assert document["nights"] == []
    assert document["done_before"] == [str(day) for day in (DAY, *LATER)]
    assert document["no_data"] == [str(DAY + timedelta(days=2))]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--from", "2025-06-09"], "--from 2025-06-09: lies after --to 2025-06-04; choose an earlier day"),
        ([], "--from"),
    ],
)
def test_wrong_use_ends_with_status_2_in_one_line(
    run: Callable[..., tuple[int, list[str], str]], words: list[str], says: str
) -> None:
    status, told, complaints = run(*words)

    assert (status, told) == (2, [])
    assert says in complaints
    assert complaints.count("\n") == 1

"""The command `correct`: what it says, as text and as JSON, and how it ends."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
from corrections import episode, episode_table, publish_run, stages_of
from lakes import DAY, build_lake, put, rows

from pipeline.commands import cli
from pipeline.commands.correct import summary_lines
from pipeline.correction import findings as module
from pipeline.correction.day_files import COUNTS
from pipeline.correction.outcome import CorrectionResult
from pipeline.correction.write_statement import StatementSummary

NEXT = DAY + timedelta(days=1)


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A lake of two days and an OUT with a run; home a is turned, b not to be corrected."""
    lake = build_lake(tmp_path / "lake")
    for day in (DAY, NEXT):
        put(lake, "part.parquet", pl.concat([rows("a", day), rows("b", day), rows("a", day).head(2)]), day)
    publish_run(tmp_path / "out", NEXT)
    found = stages_of(episode("a", DAY), episode("b", DAY, why_not="the fault leaves nothing to go by"))
    monkeypatch.setattr(module, "shipped_stages", lambda: found)
    return tmp_path


@pytest.fixture
def run(place: Path, capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
    def call(*words: str) -> tuple[int, str, str]:
        status = 0
        try:
            cli.main(["correct", str(place / "lake"), *words, "--out", str(place / "out")])
        except SystemExit as left:
            status = int(left.code or 0)
        told = capsys.readouterr()
        return status, told.out, told.err

    return call


def test_it_says_what_was_corrected_what_was_not_and_where_it_is(
    run: Callable[..., tuple[int, str, str]], place: Path
) -> None:
    status, told, complaints = run()

    assert (status, complaints) == (0, "")
    assert told.splitlines()[-6:] == [
        "1 home on 2 days, as of 2025-06-02: 2 days written, 0 removed, the others unchanged",
        "rows: 196 in = 192 used + 4 duplicate + 0 rejected; of the used 184 exact, 0 estimated, 8 as reported,"
        " 0 empty",
        "1 home not corrected:",
        "  1: the fault leaves nothing to go by",
        f"results:   {place / 'out' / 'corrected'}",
        f"statement: {place / 'out' / 'corrected' / 'report' / 'index.html'}",
    ]
    assert "0 days written" in run()[1]


def test_the_commonest_reasons_are_named_and_the_others_counted() -> None:
    stories = [episode(f"h{number}", DAY, why_not=f"reason {min(number, 6)}") for number in range(8)]
    homes = pl.DataFrame(schema={"site_id": pl.String, "date": pl.Date, **dict.fromkeys(COUNTS, pl.Int64)})
    statement = StatementSummary(0, 0.0, 0.0, 8, Path("index.html"))
    result = CorrectionResult(
        Path("out"), "out", NEXT, episode_table(*stories), homes,
        statement=statement, days_written=0, days_removed=0, days_gone=0, seconds={},
    )  # fmt: skip

    lines = list(summary_lines(result))

    assert lines[2:9] == [
        "8 homes not corrected:",
        "  2: reason 6",
        *(f"  1: reason {number}" for number in range(4)),
        "  2 for other reasons: not_corrected.csv",
    ]


def test_a_day_that_is_gone_from_the_lake_is_said(
    run: Callable[..., tuple[int, str, str]], place: Path
) -> None:
    run()
    for file in (place / "lake" / "intervals" / f"date={DAY}").iterdir():
        file.unlink()
    assert "\n1 day no longer in the lake: rows corrected earlier stay as they were\n" in run()[1]


def test_json_is_one_document_with_the_same(run: Callable[..., tuple[int, str, str]], place: Path) -> None:
    status, told, progress = run("--json")

    document = json.loads(told)
    assert status == 0
    assert "correct the days, 2 of 2 days" in progress
    assert document["rows"] == {"rows_in": 196, "used": 192, "duplicate": 4, "rejected": 0}
    assert document["methods"] == {"exact": 184, "estimated": 0, "as reported": 8, "empty": 0}
    assert document["not_corrected"] == {"the fault leaves nothing to go by": 1}
    assert (document["kwh_reported"], document["kwh_corrected"]) == (1.0, 2.0)
    assert document["results"] == str(place / "out" / "corrected")


def test_an_unknown_home_ends_it_with_2_and_one_line(run: Callable[..., tuple[int, str, str]]) -> None:
    status, _, complaint = run("aa")
    assert status == 2
    assert complaint.count("\n") == 1
    assert "did you mean 'a'?" in complaint


def test_a_failure_says_what_is_left(
    run: Callable[..., tuple[int, str, str]], monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise OSError("no room left")

    monkeypatch.setattr("pipeline.correction.day_files.os.replace", fail)
    status, _, complaint = run()
    assert status == 1
    assert complaint.endswith("\n")
    assert "no room left" in complaint

"""`nightclamp verify`: a line a problem, a last line that counts, exit status 0 or 2."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from published_runs import DAYS, cut, publish_run, publish_runs

from pipeline.commands import cli


def verify(capsys: pytest.CaptureFixture[str], out: Path, *options: str) -> tuple[int, str, str]:
    """Return exit status, output, complaint."""
    with pytest.raises(SystemExit) as left:
        cli.main(["verify", str(out), *options])
    told = capsys.readouterr()
    return int(left.value.code or 0), told.out, told.err


def test_whole_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = publish_runs(tmp_path)
    assert verify(capsys, out) == (0, f"{out}: 3 runs, 18 files: whole\n", "")
    publish_run(out, DAYS[0], has_digests=False)
    status, told, _ = verify(capsys, out)
    assert (status, told) == (
        0, f"{out}: 3 runs (1 of them with no digests: made by an older version), 13 files: whole\n",
    )  # fmt: skip


def test_problems_are_a_line_each_and_end_with_status_2(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = publish_runs(tmp_path)
    for day in DAYS[:2]:
        cut(out / "runs" / str(day) / "standing.parquet")
    status, told, complaint = verify(capsys, out)
    assert (status, complaint) == (2, "")
    first, second, last = told.splitlines()
    assert first.startswith(f"runs/{DAYS[0]}/standing.parquet: cut short (100 of ")
    assert second.endswith(f"run `nightclamp nightly LAKE --out {out} --as-of {DAYS[1]}` again")
    assert last == f"{out}: 3 runs, 18 files: 2 problems"

    status, told, _ = verify(capsys, out, "--json")
    document = json.loads(told)
    assert status == 2
    assert set(document) == {"out", "is_whole", "runs", "runs_without_digests", "files", "problems"}
    assert (document["is_whole"], document["runs"], document["runs_without_digests"]) == (False, 3, 0)
    assert [set(problem) for problem in document["problems"]] == [{"where", "what", "todo"}] * 2


def test_nothing_published_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    status, told, complaint = verify(capsys, tmp_path / "none")
    assert (status, told) == (2, "")
    assert "no published run; run `nightclamp nightly LAKE" in complaint
    assert not (tmp_path / "none").exists()

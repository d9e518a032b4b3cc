"""Standard streams that are closed or full: the command works, or says so in one line."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import polars as pl
import pytest
from lakes import build_lake, put, rows

COMMAND = f"{sys.executable} -m pipeline.commands.cli"
pytestmark = pytest.mark.skipif(not Path("/dev/full").exists(), reason="a device that is always full")


@pytest.fixture(scope="module")
def lake(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = build_lake(tmp_path_factory.mktemp("streams") / "lake")
    put(root, "1.parquet", pl.concat([rows("a"), rows("b")]))
    return root


@pytest.mark.parametrize(
    ("words", "status", "told"),
    [
        ("--version >&-", 0, ""),
        ("check {lake} >&-", 0, ""),
        ("check {lake} <&-", 0, ""),
        ("check {lake} >&- 2>&- <&-", 0, ""),
        ("check {lake}/nowhere 2>&-", 2, ""),
        ("check {lake}/nowhere 2>/dev/full", 2, ""),
        (
            "check {lake} >/dev/full",
            1,
            "nightclamp: standard output can't be written: No space left on device; nothing was changed\n",
        ),
        (
            "--version >/dev/full",
            1,
            "nightclamp: standard output can't be written: No space left on device; nothing was changed\n",
        ),
        ("check {lake} >/dev/full 2>/dev/full", 1, ""),
    ],
)
def test_a_stream_that_takes_nothing_is_one_line_or_no_matter(
    words: str, status: int, told: str, lake: Path
) -> None:
    done = subprocess.run(
        ["bash", "-c", f"{COMMAND} {words.format(lake=lake)}"],
        capture_output=True,
        text=True,
        env={**os.environ, "PYTHONPATH": os.getcwd()},
        check=False,
    )
    assert (done.returncode, done.stderr) == (status, told)

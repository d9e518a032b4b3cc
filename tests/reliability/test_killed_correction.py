"""Corrections killed at random moments: every file is whole, and the next run gives the bytes of an undisturbed one."""

from __future__ import annotations

import random
import subprocess
import sys
import time
from contextlib import suppress
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
from corrections import contents, publish_run
from lakes import DAY, build_lake, put, rows

from pipeline.correction.day_files import METHOD_COLUMNS, DayFiles

DAYS = [DAY + timedelta(days=number) for number in range(24)]
SCRIPT = Path(__file__).parent / "correct_once.py"


def start(lake: Path, out: Path, likelihood: float) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, str(SCRIPT), str(lake), str(out), str(likelihood)])


def written(out: Path) -> dict[Path, int]:
    """When each day's file was written [ns]."""
    held = {}
    for path in (DayFiles(out / "corrected").path(day) for day in DAYS):
        with suppress(FileNotFoundError):
            held[path] = path.stat().st_mtime_ns
    return held


def hold_whole(out: Path) -> None:
    """Each file can be read and has the rows that it says it has."""
    files = DayFiles(out / "corrected")
    for path in (out / "corrected").glob("date=*/corrected.parquet"):
        day = DAY.fromisoformat(path.parent.name.removeprefix("date="))
        said = int(files.homes(day).select(METHOD_COLUMNS.values()).sum().sum_horizontal()[0])
        assert pl.read_parquet(path, hive_partitioning=False).height == said > 0


@pytest.mark.heavy
def test_corrections_killed_at_random_moments_leave_nothing_to_repair(tmp_path: Path) -> None:
    lake = build_lake(tmp_path / "lake")
    for day in DAYS:
        put(lake, "part.parquet", pl.concat([rows("a", day, minutes=5), rows("b", day, minutes=5)]), day)
    calm, out = tmp_path / "calm", tmp_path / "out"
    for place in (calm, out):
        publish_run(place, DAYS[-1])
    assert start(lake, calm, 0.9).wait() == 0
    chance, in_the_middle = random.Random(3), 0
    for turn in range(5):
        before = written(out)
        killed = start(lake, out, (0.8, 0.9)[turn % 2])
        wanted = chance.randint(1, len(DAYS) - 4)
        while killed.poll() is None and len(written(out).items() - before.items()) < wanted:
            time.sleep(0.001)
        killed.kill()
        in_the_middle += killed.wait() != 0
        hold_whole(out)
    assert in_the_middle >= 3

    assert start(lake, out, 0.9).wait() == 0

    assert contents(out / "corrected") == contents(calm / "corrected")
    assert not list((out / "store").iterdir())

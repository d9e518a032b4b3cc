"""Two nights in one OUT: the second stops with a line; and who reads meanwhile never meets half a run."""

from __future__ import annotations

import fcntl
import json
import subprocess
import time
from pathlib import Path

import duckdb
import polars as pl
import pytest
from kills import whole_night
from nights import FIRST, NEXT, build, put, rows, start, words

from pipeline.commands import cli


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    return build(tmp_path)


def wait_for_the_night(out: Path, night: subprocess.Popen[str]) -> None:
    """Wait until the other process holds OUT."""
    while night.poll() is None:
        if (out / ".night.lock").exists():
            with (out / ".night.lock").open() as lock:
                try:
                    fcntl.flock(lock, fcntl.LOCK_SH | fcntl.LOCK_NB)
                except BlockingIOError:
                    return
        time.sleep(0.002)
    raise AssertionError(night.communicate())


def test_a_second_night_stops_with_one_line_and_the_first_goes_on(
    lake: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "out"
    first = start(lake, out)
    wait_for_the_night(out, first)

    with pytest.raises(SystemExit) as left:
        cli.main(words(lake, out))

    assert left.value.code == 1
    complaint = capsys.readouterr().err
    assert "another night is at work here; wait for it or choose another --out" in complaint
    assert complaint.count("\n") == 1
    assert first.communicate()[1] == ""
    assert first.returncode in (0, 3)
    assert (out / "latest" / "run.json").is_file()


def read_run(run: Path) -> str:
    """Read a run's tables in the three ways that people do; return its day."""
    told = json.loads((run / "run.json").read_text())
    scores = pl.read_parquet(run / "site_scores.parquet")
    con = duckdb.connect(str(run / "nightclamp.duckdb"), read_only=True)
    try:
        assert con.table("site_scores").pl().equals(scores)
    finally:
        con.close()
    assert "</html>" in (run / "report" / "index.html").read_text()
    return f"{told['as_of']} {told['counts']['rows_in']}"


def test_readers_never_meet_half_a_run_or_half_a_day(lake: Path, tmp_path: Path) -> None:
    """One reader holds on to the run that it found, the other opens each file through `latest`."""
    out = tmp_path / "out"
    whole_night(lake, out, FIRST)
    seen: set[str] = set()
    days = 0
    for turn in range(2):
        put(lake, NEXT, rows(NEXT).head(140 + turn))
        night = start(lake, out)
        while night.poll() is None:
            held = (out / "latest").resolve()
            seen.add(read_run(held))
            assert pl.read_parquet(out / "latest" / "standing.parquet").height == 3
            for file in (out / "store").glob("*/date=*/*.parquet"):
                try:
                    pl.read_parquet(file)
                except FileNotFoundError:  # the day was worked out anew since it was listed
                    continue
                days += 1
            assert read_run(held) in seen
            time.sleep(0.01)  # the night is to get on, too
        assert night.communicate()[1] == ""
    seen.add(read_run(out / "latest"))
    assert len(seen) == 3
    assert days > 6

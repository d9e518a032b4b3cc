"""A night that the disk stops says which disk, and what is published; it leaves no folder half built."""

from __future__ import annotations

import errno
from pathlib import Path

import duckdb
import polars as pl
import pytest
from lakes import DAY, build_lake, put, rows

from pipeline.core.errors import InputError, NightFailed
from pipeline.core.settings import load_settings
from pipeline.nightly import run as night
from pipeline.nightly.night_failure import Outcome, failing_in_a_line
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import run_night
from pipeline.storage.output_location import FolderOut


@pytest.mark.parametrize(
    ("error", "told"),
    [
        (OSError(errno.ENOSPC, "No space left on device"), r"no space on .+ \(mounted at /.*\)"),
        (
            OSError(errno.EIO, "Input/output error", "/x/standing.parquet"),
            r"/x/standing.parquet: input/output error",
        ),
        (duckdb.IOException("IO Error: No space left on device"), r"no space on .+ \(mounted at /.*\)"),
        (pl.exceptions.ComputeError("odd"), "ComputeError: odd"),
        (MemoryError("too much"), "MemoryError: too much"),
        (OSError(errno.ENOTDIR, "Not a directory", "/x/y"), "/x/y: Not a directory"),
    ],
)
def test_what_stops_a_night_is_one_line_with_what_is_published(
    tmp_path: Path, error: Exception, told: str
) -> None:
    for left in ("nothing was published", "the night of 2026-06-14 is published"):
        with (
            pytest.raises(NightFailed, match=f"^{told}.*; {left}$"),
            failing_in_a_line(tmp_path, Outcome(left)),
        ):
            raise error


def test_what_is_a_line_already_stays_as_it_is(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"^wrong$"), failing_in_a_line(tmp_path):
        raise InputError("wrong")
    with pytest.raises(KeyboardInterrupt), failing_in_a_line(tmp_path):
        raise KeyboardInterrupt


@pytest.fixture
def request_of(tmp_path: Path) -> NightRequest:
    root = build_lake(tmp_path / "lake")
    put(root, "a.parquet", rows("a"))
    return NightRequest(root, tmp_path / "out")


def full(*args: object, **options: object) -> None:
    raise OSError(errno.ENOSPC, "No space left on device")


@pytest.mark.parametrize("step", ["take_in", "draw_report", "run_record.write_run_json", "publish.publish"])
def test_a_night_that_fails_before_it_is_published_leaves_out_as_it_was(
    request_of: NightRequest, monkeypatch: pytest.MonkeyPatch, step: str
) -> None:
    monkeypatch.setattr(night, step, full) if "." not in step else monkeypatch.setattr(
        f"pipeline.nightly.run.{step}", full
    )
    with pytest.raises(NightFailed, match=r"^no space on .*; nothing was published$"):
        run_night(request_of, load_settings())
    assert {path.name for path in request_of.out.iterdir()} <= {".night.lock", "store"}
    assert not (request_of.out / "store" / ".work").exists()


def test_a_night_that_fails_once_it_is_published_says_so(
    request_of: NightRequest, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(night, "read_alarms", full)
    monkeypatch.setattr(night, "latest_note", lambda inputs: "a note")
    with pytest.raises(NightFailed, match=rf"^no space on .*; the night of {DAY} is published$"):
        run_night(request_of, load_settings())
    assert (request_of.out / "latest" / "run.json").is_file()


def test_out_among_the_lakes_files_is_refused_before_anything_is_made(request_of: NightRequest) -> None:
    out = request_of.lake / "intervals" / "out"
    with pytest.raises(InputError, match="lies in"):
        run_night(NightRequest(request_of.lake, out), load_settings())
    assert not out.exists()


def test_a_place_of_tonight_that_is_taken_is_refused_before_the_day_is_read(request_of: NightRequest) -> None:
    (request_of.out / "runs" / str(DAY)).mkdir(parents=True)
    with pytest.raises(InputError, match=f"{DAY}: a folder, where nights keep a link"):
        run_night(request_of, load_settings())
    assert not (request_of.out / "store").exists()
    assert FolderOut(request_of.out).local == request_of.out

"""Killed, out of room, forbidden to write: `latest` is a whole run, and the next night gives what it should."""

from __future__ import annotations

import ctypes
import errno
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from file_size import room_for
from kills import kill_nights, whole_night
from nights import FIRST, NEXT, build, said, words

from pipeline.commands import cli


@pytest.fixture
def lake(tmp_path: Path) -> Path:
    return build(tmp_path)


def ended(capsys: pytest.CaptureFixture[str], lake: Path, out: Path) -> tuple[int, str]:
    """Run a night here; return its exit status and what it complained of."""
    with pytest.raises(SystemExit) as left:
        cli.main(words(lake, out))
    told = capsys.readouterr()
    assert "Traceback" not in told.err + told.out
    return int(left.value.code or 0), told.err


def stopped(capsys: pytest.CaptureFixture[str], lake: Path, out: Path) -> str:
    """The one line with which a night stops."""
    status, complaint = ended(capsys, lake, out)
    assert status == 1
    assert complaint.count("\n") == 1
    assert "nothing was published" in complaint
    return complaint


@pytest.mark.heavy
def test_nights_killed_at_random_moments_leave_nothing_to_repair(tmp_path: Path) -> None:
    """Three here; `python tests/reliability/kills.py --kills 200` for more."""
    told = kill_nights(3, 1, tmp_path)
    assert told["early"] + told["working"] + told["built"] == 3
    assert told["reruns"] > 0


def test_a_full_disk_stops_the_night_wherever_it_is_and_spoils_nothing(
    lake: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    whole_night(lake, tmp_path / "out", FIRST)
    shutil.copytree(tmp_path / "out", tmp_path / "calm", symlinks=True)
    whole_night(lake, tmp_path / "calm")
    before = said(tmp_path / "out" / "latest")
    capsys.readouterr()

    for most in (0, 3_000, 100_000):
        with room_for(most):
            stopped(capsys, lake, tmp_path / "out")
        assert said(tmp_path / "out" / "latest") == before
        assert not list((tmp_path / "out" / "runs").glob(".building-*"))

    whole_night(lake, tmp_path / "out")
    assert said(tmp_path / "out" / "latest") == said(tmp_path / "calm" / "latest")


def test_a_disk_that_fills_up_at_any_rename_spoils_nothing(
    lake: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    whole_night(lake, tmp_path / "calm")
    capsys.readouterr()
    out, replace, failed = tmp_path / "out", os.replace, 0
    while True:
        calls = 0

        def full(source: Path, target: Path, last: int = failed) -> None:
            nonlocal calls
            calls += 1
            if calls > last:
                raise OSError(errno.ENOSPC, "No space left on device", str(target))
            replace(source, target)

        with monkeypatch.context() as patched:
            patched.setattr(os, "replace", full)
            status, told = ended(capsys, lake, out)
        if status != 1:  # it had room enough
            break
        assert "no space on " in told
        assert list((out / "runs").glob("*")) == []
        assert not (out / "latest").exists()
        failed += 1

    assert failed >= 3
    assert said(out / "latest") == said(tmp_path / "calm" / "latest")


@contextmanager
def as_an_ordinary_user() -> Iterator[None]:
    """Give up for a while what lets root write where permissions forbid it; others have nothing to give up."""
    libc = ctypes.CDLL(None, use_errno=True)
    header = (ctypes.c_uint32 * 2)(0x20080522, 0)
    held = (ctypes.c_uint32 * 6)()
    assert libc.capget(header, held) == 0
    none = (ctypes.c_uint32 * 6)(*(0 if at % 3 == 0 else given for at, given in enumerate(held)))
    assert libc.capset(header, none) == 0
    try:
        yield
    finally:
        assert libc.capset(header, held) == 0


@pytest.mark.parametrize("place", ["out", "out/runs"])
def test_a_folder_that_may_only_be_read_is_one_line(
    lake: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], place: str
) -> None:
    whole_night(lake, tmp_path / "out", FIRST)
    before = said(tmp_path / "out" / "latest")
    capsys.readouterr()
    locked = tmp_path / place
    (tmp_path / "out" / ".night.lock").unlink()
    locked.chmod(0o555)
    try:
        with as_an_ordinary_user():
            told = stopped(capsys, lake, tmp_path / "out")
    finally:
        locked.chmod(0o755)
    assert "permission denied" in told
    assert said(tmp_path / "out" / "latest") == before

    whole_night(lake, tmp_path / "out", NEXT)
    assert os.readlink(tmp_path / "out" / "latest") == f"runs/{NEXT}"

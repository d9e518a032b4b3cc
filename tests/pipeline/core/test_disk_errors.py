"""What the disk refuses is said with the device, whoever says so and however."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import duckdb
import polars as pl
import pytest

from pipeline.core import disk_errors
from pipeline.core.disk_errors import is_disk_full, tell_disk_error, tell_failure, where_mounted

MOUNTS = r"""22 1 254:0 / / rw - ext4 /dev/vda rw
30 22 0:25 / {place} rw,relatime shared:1 - tmpfs tmpfs rw
31 22 0:26 / {place}/a\040disk rw - nfs4 host:/export rw
"""


@pytest.fixture
def mounted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Two folders that are said to be disks; their numbers are not those of their files, as on some file systems."""
    (tmp_path / "a disk" / "out").mkdir(parents=True)
    mounts = tmp_path / "mountinfo"
    mounts.write_text(MOUNTS.replace("{place}", str(tmp_path)).replace("254:0", "0:9999"))
    monkeypatch.setattr(disk_errors, "_MOUNTS", mounts)
    return tmp_path


def test_the_disk_of_a_file_is_the_one_mounted_nearest(mounted: Path) -> None:
    assert where_mounted(mounted / "x" / "y") == f"tmpfs (mounted at {mounted})"
    assert where_mounted(mounted / "a disk" / "out") == f"host:/export (mounted at {mounted}/a disk)"
    (mounted / "mountinfo").unlink()
    assert where_mounted(mounted).startswith("the disk mounted at /")


def test_this_machine_says_where_its_root_is() -> None:
    assert where_mounted(Path("/proc/self")) == "proc (mounted at /proc)"


@pytest.mark.parametrize(
    ("code", "told"),
    [
        (errno.ENOSPC, "no space on {disk}"),
        (errno.EDQUOT, "the quota on {disk} is used up"),
        (errno.EROFS, "{file}: {disk} is read-only"),
        (errno.EACCES, "{file}: permission denied"),
        (errno.EIO, "{file}: input/output error on {disk}: check that disk"),
    ],
)
def test_each_refusal_has_its_words(mounted: Path, code: int, told: str) -> None:
    file = mounted / "a disk" / "out" / "standing.parquet"
    expected = told.format(file=file, disk=f"host:/export (mounted at {mounted}/a disk)")
    words = os.strerror(code)
    named = OSError(code, words, str(file))
    moved = OSError(code, words, str(mounted), None, str(file))
    by_duckdb = duckdb.IOException(f'IO Error: Could not write file "{file}": {words}')
    nested = duckdb.IOException(f'Async: {{"exception_message":"Could not write \\"{file}\\": {words}"}}')
    for error in (named, moved, by_duckdb, nested):
        assert tell_disk_error(error, mounted) == expected
        assert tell_failure(error, mounted) == expected
    unnamed = pl.exceptions.ComputeError(f"parquet: underlying IO error: {words} (os error {code})")
    near = told.format(file=file.parent, disk=f"host:/export (mounted at {mounted}/a disk)")
    if code != errno.ENOSPC:
        assert tell_disk_error(unnamed, file.parent) == near
    assert is_disk_full(unnamed) == (code in (errno.ENOSPC, errno.EDQUOT))


def test_a_full_disk_that_no_file_names_is_the_one_with_the_least_room(
    mounted: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    error = pl.exceptions.ComputeError("No space left on device (os error 28)")
    near, scratch = mounted / "a disk" / "out", mounted / "scratch"
    monkeypatch.setattr(disk_errors.tempfile, "gettempdir", lambda: str(scratch))
    for full, disk in (
        (near, f"host:/export (mounted at {near.parent})"),
        (scratch, f"tmpfs (mounted at {mounted})"),
    ):
        monkeypatch.setattr(disk_errors, "_free_share", lambda path, full=full: float(path != full))
        assert tell_disk_error(error, near) == f"no space on {disk}"


def test_what_is_no_matter_of_the_disk_stays_what_it_is(tmp_path: Path) -> None:
    assert tell_disk_error(ValueError("no"), tmp_path) is None
    assert (
        tell_failure(duckdb.ConversionException("not a number"), tmp_path)
        == "ConversionException: not a number"
    )
    assert tell_failure(FileNotFoundError(errno.ENOENT, "No such file or directory", "x"), tmp_path) == (
        "x: No such file or directory"
    )
    assert not is_disk_full(MemoryError())

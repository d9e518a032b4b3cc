"""A night on a disk that is full leaves it as it found it; the whole files of days that it read stay in the store."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest
from full_disks import fill, limit, night, restore, small_disk, used_bytes
from nights import FIRST, NEXT, build


@pytest.mark.heavy
def test_a_disk_that_is_full_anywhere_is_named_and_left_as_it_was(tmp_path: Path) -> None:
    """At three places; `python tests/reliability/full_disks.py` for twenty."""
    lake, kept = build(tmp_path), tmp_path / "kept"
    try:
        with small_disk(tmp_path / "disk") as disk:
            out = disk / "out"
            night(lake, out, FIRST)
            shutil.copytree(out, kept, symlinks=True)
            base = used_bytes(disk)
            assert night(lake, out, NEXT)[0] in (0, 3)
            needed = used_bytes(disk) - base
            for share in (0.0, 0.3, 0.9):
                restore(out, kept)
                status, told, left, store = fill(lake, disk, share, needed)
                assert status == 1
                assert told == f"nightclamp: no space on tmpfs (mounted at {disk}); nothing was published\n"
                assert left == []
                assert all(f"/date={NEXT}" in name or "date=" not in name for name in store)
            limit(disk, 2**30)
            assert night(lake, out, NEXT)[0] in (0, 3)
    except (subprocess.CalledProcessError, FileNotFoundError) as error:
        pytest.skip(f"no disk can be mounted here: {error}")

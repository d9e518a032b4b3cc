"""What is published stays as it is where a run can't be published, and a damaged run is replaced by a whole one."""

from __future__ import annotations

import errno
import json
import os
from pathlib import Path

import pytest
from published_runs import DAYS, folder_bytes, kept, run_of

from pipeline.storage import publish
from pipeline.storage.run_files import digest_files

DAY, SECOND = DAYS[:2]


@pytest.mark.parametrize("fails_at", range(4))
def test_a_disk_that_is_full_while_a_run_is_published_leaves_all_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fails_at: int
) -> None:
    """No room for the link of the day, its name, that of `latest`, its name."""
    run_of(tmp_path, DAY, "first")
    before, calls = folder_bytes(tmp_path), 0
    links = {path: os.readlink(path) for path in (tmp_path / "latest", tmp_path / "runs" / str(DAY))}

    def full(function):
        def step(*args):
            nonlocal calls
            calls += 1
            if calls == fails_at + 1:
                raise OSError(errno.ENOSPC, "No space left on device")
            return function(*args)

        return step

    for day in (DAY, SECOND):
        calls = 0
        built = publish.building_folder(tmp_path, day)
        (built / "run.json").write_text("again")
        with monkeypatch.context() as patched:
            patched.setattr(publish.Path, "symlink_to", full(Path.symlink_to))
            patched.setattr(publish.os, "replace", full(os.replace))
            with pytest.raises(OSError, match="No space left"):
                publish.publish(built, tmp_path, day)
        publish.remove_building(tmp_path)
        assert folder_bytes(tmp_path) == before
        assert {path: os.readlink(path) for path in links} == links
        assert sorted(path.name for path in (tmp_path / "runs").iterdir()) == [".whole", str(DAY)]


def test_a_failed_first_night_leaves_no_folder_of_runs(tmp_path: Path) -> None:
    publish.building_folder(tmp_path, DAY)
    publish.remove_building(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_damaged_run_is_replaced_by_the_same_run(tmp_path: Path) -> None:
    """Its folder has the name of what it should hold."""
    for _ in range(2):
        built = publish.building_folder(tmp_path, DAY)
        (built / "standing.parquet").write_text("a table")
        record = {"as_of": str(DAY), "files": digest_files(built)}
        (built / "run.json").write_text(json.dumps(record))
        run = publish.publish(built, tmp_path, DAY)
        assert (run / "standing.parquet").read_text() == "a table"
        (run / "standing.parquet").write_text("a tab")
    publish.remove_building(tmp_path)
    assert len(kept(tmp_path)) == 1

"""A file has its name only when it is whole; what fails on the way leaves the one before, and nothing beside it."""

from __future__ import annotations

import ast
import errno
import os
from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from file_size import room_for

from pipeline.core import atomic_files
from pipeline.core.atomic_files import move_in, replacing, write_bytes, write_parquet, write_text

ROOT = Path(__file__).parents[3]
FRAME = pl.DataFrame({"site_id": [str(number) for number in range(20_000)]})


def moved(path: Path) -> None:
    made = path.parent.parent / "made"
    made.write_text("new" * 10_000)
    try:
        move_in(made, path)
    finally:
        made.unlink(missing_ok=True)


WRITERS: dict[str, Callable[[Path], None]] = {
    "bytes": lambda path: write_bytes(path, b"new" * 10_000),
    "text": lambda path: write_text(path, "new" * 10_000),
    "parquet": lambda path: write_parquet(path, FRAME),
    "moved": moved,
}


@pytest.mark.parametrize("name", WRITERS)
def test_what_is_written_replaces_what_was_there(tmp_path: Path, name: str) -> None:
    path = tmp_path / "deep" / "file"
    for _ in range(2):
        WRITERS[name](path)
        assert [entry.name for entry in path.parent.iterdir()] == ["file"]
        assert path.stat().st_size > 1_000


@pytest.mark.parametrize("name", ["bytes", "text", "parquet"])
def test_a_file_that_does_not_fit_leaves_the_one_before(tmp_path: Path, name: str) -> None:
    path = tmp_path / "file"
    path.write_text("old")
    for most in (0, 100, 1_000):
        with room_for(most), pytest.raises((OSError, pl.exceptions.PolarsError)):
            WRITERS[name](path)
        assert {entry.name: entry.read_text() for entry in tmp_path.iterdir()} == {"file": "old"}


@pytest.mark.parametrize("call", ["fsync", "replace"])
@pytest.mark.parametrize("name", WRITERS)
def test_a_disk_that_refuses_at_the_end_leaves_the_one_before(
    tmp_path: Path, name: str, call: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "file"
    path.write_text("old")

    def full(*args: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(atomic_files.os, call, full)
    with pytest.raises(OSError, match="No space left"):
        WRITERS[name](path)
    assert {entry.name: entry.read_text() for entry in tmp_path.iterdir()} == {"file": "old"}


def test_a_stop_in_the_middle_leaves_the_one_before(tmp_path: Path) -> None:
    path = tmp_path / "file"
    path.write_text("old")

    def stopped() -> None:
        with replacing(path) as part:
            part.write_text("ne")
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stopped()
    assert {entry.name: entry.read_text() for entry in tmp_path.iterdir()} == {"file": "old"}


def test_the_disk_holds_a_file_before_it_has_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, held = tmp_path / "file", []
    fsync = os.fsync

    def watched(handle: int) -> None:
        held.append((os.readlink(f"/proc/self/fd/{handle}"), path.exists()))
        fsync(handle)

    monkeypatch.setattr(atomic_files.os, "fsync", watched)
    write_text(path, "new")
    with replacing(path, is_synced=False) as part:
        part.write_text("newer")
    assert [(Path(name).parent, there) for name, there in held] == [(tmp_path, False)]


def test_a_file_for_its_owner_is_never_another_ones(tmp_path: Path) -> None:
    with replacing(tmp_path / "open") as part:
        part.write_text("x")
    write_bytes(tmp_path / "closed", b"x", mode=0o600)
    assert (tmp_path / "closed").stat().st_mode & 0o077 == 0
    assert (tmp_path / "open").stat().st_mode & 0o044


# Who writes files otherwise, and why that leaves no half file with its final name.
MAY_WRITE = {
    "core/atomic_files.py": "is it",
    "core/sql_runner.py": "under a name to be replaced",
    "nightly/metrics_file.py": "the folder being built",
    "nightly/run_record.py": "the folder being built",
    "storage/table_files.py": "the folder being built",
    "storage/bucket_session.py": "its lock, that holds nothing",
    "storage/object_store.py": "under a name to be replaced",
    "storage/verify_bucket.py": "scratch",
    "storage/private_files.py": "the folder being built",
    "report/page_templates.py": "the folder being built; statements write by atomic_files",
    "report/home_scripts.py": "the folder being built",
    "report/write.py": "the folder being built",
    "dispatch/run.py": "the folder being built",
    "dispatch/calendars.py": "the folder being built",
    "commands/stopping.py": "no file: the null device",
    "correction/day_files.py": "under a name to be replaced",
    "correction/day_energy.py": "scratch",
    "correction/span_signals.py": "scratch",
    "ingest/staging.py": "scratch",
    "ingest/utility/espi_readings.py": "scratch",
    "ingest/utility/parsed_files.py": "under a name to be replaced",
    "learning/visit_labels.py": "scratch",
    "learning/fleet_examples.py": "scratch",
    "simulate/lake.py": "under a name to be replaced",
    "simulate/utility_files.py": "under a name to be replaced",
    "simulate/families/crest.py": "a pool that its marker makes whole",
    "evaluation/mornings/study.py": "scratch",
    "evaluation/study_pages.py": "under a name to be replaced",
    "evaluation/process_usage.py": "a log",
    "evaluation/benchmark_fleet.py": "scratch",
    "evaluation/validation/real_homes.py": "scratch",
    "evaluation/validation/fleets.py": "scratch",
    "evaluation/policy_simulation/world.py": "a world that its marker, the last file, makes whole",
    "evaluation/policy_simulation/series.py": "under a name to be replaced, or a folder being built",
    "scoring/model_file.py": "into memory",
}
_CALLS = {"write_text", "write_bytes", "write_csv", "write_parquet", "sink_parquet", "ParquetWriter", "save"}


def writes(path: Path) -> bool:
    """Tell whether a module writes a file by anything but atomic_files: by a method, or `open` for writing."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if not isinstance(node, ast.Call):
            continue
        if isinstance(node.func, ast.Attribute) and node.func.attr in _CALLS and node.args:
            return True
        name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
        modes = [
            arg.value for arg in node.args if isinstance(arg, ast.Constant) and isinstance(arg.value, str)
        ]
        if name == "open" and any(mode[:1] in ("w", "x", "a") and len(mode) <= 3 for mode in modes):
            return True
    return False


def test_every_other_writer_is_known() -> None:
    folder = ROOT / "pipeline"
    found = {path.relative_to(folder).as_posix() for path in folder.rglob("*.py") if writes(path)}
    assert found == set(MAY_WRITE)

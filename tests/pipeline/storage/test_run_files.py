"""A run's files against the digests in its run.json: which is damaged and how; older runs by what can't be read."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest
from published_runs import DAMAGES, FIRST, TABLE, become_folder, cut, delete, flip, grow, publish_run, zero

from pipeline.core.errors import InputError
from pipeline.storage import run_files
from pipeline.storage.run_files import (
    Damage,
    digest_files,
    find_damage,
    read_file,
    refuse_unpublished,
    require_whole,
)

FILES = (
    "nightclamp.duckdb", "private/site_contact.parquet", "report/index.html", "site_scores.parquet",
    "standing.parquet",
)  # fmt: skip


def test_every_file_but_the_record_has_its_size_and_digest(tmp_path: Path) -> None:
    run = publish_run(tmp_path, FIRST)
    told = json.loads((run / "run.json").read_text())["files"]
    assert tuple(told) == FILES
    for name, file in told.items():
        content = (run / name).read_bytes()
        assert file == {"bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}
    assert digest_files(run.resolve()) == told
    assert find_damage(run) == []


@pytest.mark.parametrize("name", FILES)
@pytest.mark.parametrize("kind", DAMAGES)
def test_any_damage_of_any_file_is_found_and_named(tmp_path: Path, name: str, kind: str) -> None:
    run = publish_run(tmp_path, FIRST)
    DAMAGES[kind](run / name)
    (damage,) = find_damage(run)
    assert damage.file == name
    assert damage.what.startswith(kind)
    assert find_damage(run, ["another.parquet"]) == []
    assert find_damage(run, [name]) == [damage]


def test_how_much_is_missing_is_said(tmp_path: Path) -> None:
    run = publish_run(tmp_path, FIRST)
    size = (run / "standing.parquet").stat().st_size
    cut(run / "standing.parquet")
    grow(run / "site_scores.parquet")
    assert find_damage(run) == [
        Damage("site_scores.parquet", f"longer than it was ({size + 1:,} instead of {size:,} bytes)"),
        Damage("standing.parquet", f"cut short (100 of {size:,} bytes)"),
    ]


@pytest.mark.parametrize("damage", [cut, zero, delete, become_folder])
def test_a_run_without_a_readable_record_is_damaged_whatever_is_asked_for(tmp_path: Path, damage) -> None:
    run = publish_run(tmp_path, FIRST)
    damage(run / "run.json")
    assert [found.file for found in find_damage(run, [])] == ["run.json"]


@pytest.mark.parametrize(
    "text", ["[]", '"x"', "{}", '{"as_of": 3}', '{"as_of": "2026-06-12", "files": {"x": {"bytes": "1"}}}']
)
def test_a_record_of_another_shape_is_none(tmp_path: Path, text: str) -> None:
    (tmp_path / "run.json").write_text(text)
    assert find_damage(tmp_path) == [Damage("run.json", f"not the record of a run ({len(text)} bytes)")]


def test_a_record_that_was_changed_is_found_by_its_folders_name(tmp_path: Path) -> None:
    run = publish_run(tmp_path, FIRST)
    text = (run / "run.json").read_text()
    (run / "run.json").write_text(text.replace('"seconds"', '"Seconds"'))
    assert find_damage(run) == [Damage("run.json", "changed since it was published")]


def test_of_a_run_without_digests_what_cannot_be_read_is_found(tmp_path: Path) -> None:
    run = publish_run(tmp_path, FIRST, has_digests=False)
    assert find_damage(run) == []
    cut(run / "standing.parquet")
    flip(run / "site_scores.parquet")
    zero(run / "nightclamp.duckdb")
    assert [damage.file for damage in find_damage(run)][:1] == ["nightclamp.duckdb"]
    assert {damage.file for damage in find_damage(run)} >= {"nightclamp.duckdb", "standing.parquet"}
    assert [damage.file for damage in find_damage(run, ["standing.parquet"])] == ["standing.parquet"]
    assert find_damage(run, ["private/site_contact.parquet"]) == []


def test_what_the_disk_cannot_read_is_damaged(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    run = publish_run(tmp_path, FIRST)

    def broken(path: Path) -> str:
        raise OSError(5, "Input/output error", str(path))

    monkeypatch.setattr(run_files, "_sha256", broken)
    assert find_damage(run, ["standing.parquet"]) == [
        Damage("standing.parquet", "can't be read (input/output error)")
    ]


def test_a_file_of_the_store_is_read_whole(tmp_path: Path) -> None:
    path = tmp_path / "x.parquet"
    assert read_file(path) == "missing"
    TABLE.write_parquet(path)
    assert read_file(path) is None
    cut(path)
    assert read_file(path) == "can't be read (100 bytes)"
    (tmp_path / "x.json").write_text("{")
    assert read_file(tmp_path / "x.json") == "can't be read (1 bytes)"
    (tmp_path / "x.csv").write_text("{")
    assert read_file(tmp_path / "x.csv") is None


def test_a_reader_of_latest_is_told_which_file_and_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no published run; run `nightclamp nightly LAKE"):
        refuse_unpublished(tmp_path)
    run = publish_run(tmp_path, FIRST)
    refuse_unpublished(tmp_path)
    latest = tmp_path / "latest"
    require_whole(latest, ["standing.parquet"], tmp_path)
    cut(run / "standing.parquet")
    require_whole(latest, ["site_scores.parquet"], tmp_path)
    with pytest.raises(InputError) as told:
        require_whole(latest, ["standing.parquet"], tmp_path)
    assert str(told.value).startswith(f"{latest}/standing.parquet: cut short (100 of ")
    assert f"run `nightclamp verify {tmp_path}`" in str(told.value)
    (tmp_path / "runs" / str(FIRST)).unlink()
    with pytest.raises(
        InputError, match=f"leads to runs/{FIRST}, where no whole run is; run `nightclamp verify"
    ):
        refuse_unpublished(tmp_path)

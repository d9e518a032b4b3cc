"""An unchanged file isn't read again; whatever changes is."""

import os
import re
from pathlib import Path

import pytest
from utility_feeds import feed, lake_with, put_file

from pipeline.ingest.lake import open_lake
from pipeline.ingest.utility import parsed_files
from pipeline.ingest.utility.parsed_files import ParsedFile, parse_files

CSV = "usage_point,interval_start,import_wh\na,2025-06-01 00:00,1\na,2025-06-01 00:15,1\n"


def parse(lake: Path, tmp_path: Path) -> list[ParsedFile]:
    opened = open_lake(lake)
    return parse_files(opened, opened.utility_files()[0], tmp_path / "store", workdir=tmp_path)


def kept(lake: Path, tmp_path: Path) -> list[bool]:
    return [one.was_kept for one in parse(lake, tmp_path)]


def test_a_file_is_read_once_until_it_changes(tmp_path: Path) -> None:
    lake = lake_with(tmp_path, {"f.xml": feed(), "m.csv": CSV})
    assert kept(lake, tmp_path) == [False, False]
    assert kept(lake, tmp_path) == [True, True]
    put_file(lake, "f.xml", feed() + " ")
    assert kept(lake, tmp_path) == [False, True]
    put_file(lake, "m.csv", arrived_h=5)
    assert kept(lake, tmp_path) == [True, False]


def test_lake_toml_touches_plain_files_only(tmp_path: Path) -> None:
    lake = lake_with(tmp_path, {"f.xml": feed(), "m.csv": CSV})
    kept(lake, tmp_path)
    (lake / "lake.toml").write_text("[utility]\nminutes = 15\n", encoding="utf-8")
    assert kept(lake, tmp_path) == [True, False]


def test_other_code_reads_anew(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    lake = lake_with(tmp_path, {"f.xml": feed()})
    kept(lake, tmp_path)
    monkeypatch.setattr(parsed_files, "_code", lambda: "other")
    assert kept(lake, tmp_path) == [False]


def test_every_module_that_reads_is_counted_in() -> None:
    """What parsed_files imports of ingest, and what those import of it, but how a lake is opened."""
    package = Path(parsed_files.__file__).parent
    left, seen = ["utility.parsed_files"], {"lake", "utility.kept_parts"}
    while left:
        name = left.pop()
        if name not in seen:
            seen.add(name)
            text = (package.parent / f"{name.replace('.', '/')}.py").read_text(encoding="utf-8")
            left += re.findall(r"^from pipeline\.ingest\.([\w.]+) import", text, re.MULTILINE)
    seen -= {"lake", "utility.kept_parts"}
    assert {f"{name.rpartition('.')[2]}.py" for name in seen} == {*parsed_files._OWN, *parsed_files._SHARED}


def test_what_no_source_has_any_more_is_removed(tmp_path: Path) -> None:
    lake = lake_with(tmp_path, {"f.xml": feed(), "m.csv": CSV})
    kept(lake, tmp_path)
    os.unlink(lake / "utility" / "m.csv")
    kept(lake, tmp_path)
    assert len(list((tmp_path / "store").iterdir())) == 1


def test_a_reading_that_is_killed_leaves_nothing_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    lake = lake_with(tmp_path, {"f.xml": feed()})

    def die(*args: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(parsed_files, "_write", die)
        with pytest.raises(KeyboardInterrupt):
            parse(lake, tmp_path)
    assert list((tmp_path / "store").iterdir()) == []
    assert kept(lake, tmp_path) == [False]


def test_a_file_that_can_not_be_read_is_remembered_too(tmp_path: Path) -> None:
    lake = lake_with(tmp_path, {"f.xml": "no"})
    assert kept(lake, tmp_path) == [False]
    assert kept(lake, tmp_path) == [True]

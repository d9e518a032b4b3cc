"""An OUT that isn't one: one line, and nothing in it is touched."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

import pytest
from published_runs import FIRST, publish_run

from pipeline.core.errors import InputError
from pipeline.storage import publish
from pipeline.storage.odd_out import refuse_inside, refuse_taken_day


def link_lock(out: Path) -> None:
    (out.parent / "precious").write_text("precious")
    (out / ".night.lock").symlink_to(out.parent / "precious")


def folder_latest(out: Path) -> None:
    (out / "latest").mkdir()
    (out / "latest" / "run.json").write_text("{}")


def link_runs(out: Path) -> None:
    (out.parent / "elsewhere").mkdir()
    (out / "runs").symlink_to(out.parent / "elsewhere")


ODD: dict[str, tuple[Callable[[Path], object], str]] = {
    "a lock that is a link": (link_lock, ".night.lock: a link, not the lock of a night; remove it"),
    "a lock that is a folder": (
        lambda out: (out / ".night.lock").mkdir(),
        ".night.lock: a folder, not the lock",
    ),
    "a lock that is a pipe": (lambda out: os.mkfifo(out / ".night.lock"), ".night.lock: a special file, not"),
    "latest that is a folder": (folder_latest, "latest: a folder, where nights keep a link"),
    "latest that is a file": (
        lambda out: (out / "latest").write_text(""),
        "latest: a file, where nights keep a link",
    ),
    "runs that are a file": (
        lambda out: (out / "runs").write_text(""),
        "runs: a file, where nights keep their runs",
    ),
    "runs elsewhere": (link_runs, "runs: a link to /"),
}


def everything(folder: Path) -> dict[str, object]:
    return {
        str(path.relative_to(folder)): (os.readlink(path) if path.is_symlink() else path.lstat().st_mtime_ns)
        for path in folder.rglob("*")
    }


@pytest.mark.parametrize("kind", ODD)
def test_what_no_night_has_made_is_refused_before_anything_is_changed(tmp_path: Path, kind: str) -> None:
    make, told = ODD[kind]
    out = tmp_path / "out"
    out.mkdir()
    make(out)
    before = everything(tmp_path)
    with pytest.raises(InputError) as refused, publish.only_night(out):
        pytest.fail("it was held")
    assert str(refused.value).startswith(f"{out}/{told}")
    assert everything(tmp_path) == before
    assert not (tmp_path / "precious").exists() or (tmp_path / "precious").read_text() == "precious"


def test_an_out_that_is_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("mine")
    with pytest.raises(InputError, match="out: not a folder"), publish.only_night(tmp_path / "out"):
        pytest.fail("it was held")
    (tmp_path / "link").symlink_to(tmp_path / "nowhere")
    with pytest.raises(InputError, match="link: not a folder"), publish.only_night(tmp_path / "link"):
        pytest.fail("it was held")


def test_what_nights_make_is_held_also_by_a_link(tmp_path: Path) -> None:
    publish_run(tmp_path / "out", FIRST)
    (tmp_path / "link").symlink_to(tmp_path / "out")
    for out in (tmp_path / "out", tmp_path / "link", tmp_path / "new"):
        with publish.only_night(out):
            assert (out / ".night.lock").is_file()


def test_a_folder_in_the_place_of_tonights_link_is_refused(tmp_path: Path) -> None:
    publish_run(tmp_path, FIRST)
    refuse_taken_day(tmp_path, FIRST)
    (tmp_path / "runs" / "2026-06-30").mkdir()
    with pytest.raises(
        InputError, match="2026-06-30: a folder, where nights keep a link to the run of that day"
    ):
        refuse_taken_day(tmp_path, FIRST.replace(day=30))


@pytest.mark.parametrize(
    ("lake", "out", "is_refused"),
    [
        ("lake", "lake/intervals", True), ("lake", "lake/intervals/date=2026-06-14", True),
        ("lake", "lake/utility/out", True), ("out/store/lake", "out", True), ("out/runs", "out", True),
        ("lake", "lake/out", False), ("lake", "out", False), ("lake", "intervals", False), ("out/lake", "out", False),
    ],
)  # fmt: skip
def test_results_do_not_lie_among_the_lakes_files_nor_the_lake_among_results(
    tmp_path: Path, lake: str, out: str, is_refused: bool
) -> None:
    (tmp_path / lake).mkdir(parents=True)
    (tmp_path / "link").symlink_to(tmp_path / out.split("/")[0])
    for place in (tmp_path / out, tmp_path / "link" / "/".join(out.split("/")[1:])):
        if is_refused:
            with pytest.raises(InputError, match="lies in"):
                refuse_inside(tmp_path / lake, place)
        else:
            refuse_inside(tmp_path / lake, place)

"""`nightclamp orders`: which homes, where the files go, what is said when something is missing."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from example_safety import call, safety_calls
from orders_example import AS_OF, HOSTILE, LOOKALIKE, Wish, night

from pipeline.core.errors import InputError
from pipeline.core.settings import Settings
from pipeline.report.names import page_name
from pipeline.worklist.safety_call_text import CALLED, CLEARED
from pipeline.workorder import pdf, write_orders

WISHES = (
    Wish("reversed", "l1", site_id="H1"),
    Wish("wrong_ratio", "both", site_id=HOSTILE),
    Wish("dead", "l2", site_id=LOOKALIKE),
    Wish("partial", "l1", site_id="h1"),
)


@pytest.fixture(scope="module")
def published(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An OUT as the nightly run leaves it, as far as orders read it."""
    out = tmp_path_factory.mktemp("out")
    latest = out / "latest"
    latest.mkdir()
    for name, frame in night(*WISHES).frames.items():
        frame.write_parquet(latest / f"{name}.parquet")
    (latest / "run.json").write_text(json.dumps({"as_of": str(AS_OF)}), encoding="utf-8")
    return out


def test_each_listed_home_has_a_file_of_its_own_inside_the_folder(
    published: Path, settings: Settings
) -> None:
    lines: list[str] = []
    written = write_orders(published, (), settings, report=lines.append)

    folder = published / "orders" / "2026-06-14"
    assert [path.parent for path in written] == [folder] * 4
    assert [path.name for path in written] == [page_name(wish.site_id) for wish in WISHES]
    assert len({path.name.lower() for path in written}) == 4  # also on disks that ignore case
    assert [line.split(":")[0] for line in lines] == ["site visit", "remote fix", "site visit", "site visit"]
    assert sorted(path.name for path in (folder / "forms").iterdir()) == sorted(path.name for path in written)


def test_each_open_safety_call_has_a_sheet_before_all_orders(
    published: Path, settings: Settings, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    shutil.copytree(published / "latest", out / "latest")
    calls = safety_calls(
        call("H1"), call("silent", status=CALLED), call(HOSTILE, status=CLEARED, is_open=False)
    )
    calls.write_parquet(out / "latest" / "safety_call.parquet")
    lines: list[str] = []

    written = write_orders(out, (), settings, report=lines.append)

    names = [f"safety-{page_name(site)}" for site in ("H1", "silent")]
    assert [path.name for path in written][:3] == [*names, page_name("H1")]
    assert lines[0].startswith("safety call: H1: call now: ")
    # A home with a call needs no place on the list; one that is listed too gets both.
    assert [path.name for path in write_orders(out, ("silent",), settings)] == names[1:]
    assert [path.name for path in write_orders(out, ("H1",), settings)] == [names[0], page_name("H1")]
    assert [path.name for path in write_orders(out, (HOSTILE,), settings)] == [page_name(HOSTILE)]


def test_named_homes_only_and_the_same_bytes_again(published: Path, settings: Settings) -> None:
    first = write_orders(published, ("h1",), settings)[0]
    before = first.read_bytes()
    assert write_orders(published, ("h1",), settings) == [first]
    assert first.read_bytes() == before


def test_as_many_as_the_setting_says(published: Path, settings: Settings) -> None:
    few = settings.model_copy(update={"orders": settings.orders.model_copy(update={"homes": 2})})
    assert len(write_orders(published, (), few)) == 2


def test_a_home_that_is_not_listed_is_refused_with_the_nearest_name(
    published: Path, settings: Settings
) -> None:
    with pytest.raises(InputError, match=r"H11: not a home of the run; did you mean 'H1'\?"):
        write_orders(published, ("H11",), settings)


def test_nothing_published_and_a_table_less_are_said(
    published: Path, settings: Settings, tmp_path: Path
) -> None:
    with pytest.raises(InputError, match="no published run; run `nightclamp nightly LAKE"):
        write_orders(tmp_path, (), settings)
    latest = tmp_path / "latest"
    latest.mkdir()
    for name in ("run.json", "revisit_list.parquet"):
        (latest / name).write_bytes((published / "latest" / name).read_bytes())
    with pytest.raises(InputError, match=r"site_scores.parquet: missing; run `nightclamp nightly"):
        write_orders(tmp_path, (), settings)


def test_without_the_library_pdf_is_refused_before_anything_is_written(
    published: Path, settings: Settings, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    def fail() -> None:
        raise InputError("PDF needs WeasyPrint and Pango")

    monkeypatch.setattr(pdf, "load_library", fail)
    with pytest.raises(InputError, match="PDF needs WeasyPrint"):
        write_orders(tmp_path, (), settings, as_pdf=True)
    assert list(tmp_path.iterdir()) == []


def test_each_line_names_the_home_the_suspicion_and_every_file(
    published: Path, settings: Settings, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pdf, "load_library", lambda: None)
    monkeypatch.setattr(pdf, "order_pdf", lambda html, paper: b"%PDF")
    lines: list[str] = []
    (page,) = write_orders(published, ("h1",), settings, as_pdf=True, report=lines.append)
    assert len(lines) == 1
    kind, home, suspicion, files = lines[0].split(": ", 3)
    assert (kind in ("site visit", "remote fix"), home, bool(suspicion)) == (True, "h1", True)
    assert files == f"{page} and {page.with_suffix('.pdf')}"
    assert page.with_suffix(".pdf").read_bytes() == b"%PDF"

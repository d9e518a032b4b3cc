"""`nightclamp orders`: which homes, where the files go, what is said when something is missing."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from orders_example import AS_OF, HOSTILE, LOOKALIKE, Wish, night

from pipeline.core.errors import InputError
from pipeline.core.settings import Settings
from pipeline.report.names import page_name
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

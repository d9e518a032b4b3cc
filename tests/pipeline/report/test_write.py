"""The report folder as a whole: links, markup, hostile ids, determinism, what the browser may load."""

from __future__ import annotations

import json
from pathlib import Path
from urllib.parse import unquote

import pytest
from example import CASES, HOSTILE, TRAVERSAL, example_night
from page import Page

from pipeline.core.settings import Settings
from pipeline.report import ReportInput, write_report
from pipeline.report.names import page_name
from pipeline.report.page_templates import script_json


def pages(folder: Path) -> list[Page]:
    return [Page(path) for path in sorted(folder.rglob("*.html"))]


def test_every_listed_home_has_a_page_inside_the_folder(folder: Path) -> None:
    files = sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*") if path.is_file())

    homes = [f"home/{page_name(case.site_id)}" for case in CASES]
    scripts = (
        "charts.js",
        "homes.js",
        "homes/0.js",
        "homes/index.js",
        "list.js",
        "search.js",
        "sort.js",
        "vega.js",
    )
    assets = [f"assets/{name}" for name in (*scripts, "report.css")]
    pages = ("index", "homes", "map", "trend", "list", "crews", "normal")
    crews = [f"crew/{page_name(f'crew-{number}')}" for number in range(4)]
    assert files == sorted([*(f"{page}.html" for page in pages), *homes, *crews, *assets])


def test_pages_are_well_formed_and_their_ids_unique(folder: Path) -> None:
    for page in pages(folder):
        ids = [element.attributes["id"] for element in page.elements if "id" in element.attributes]
        assert (page.mistakes, len(ids)) == ([], len(set(ids))), page.path.name


def test_every_link_asset_and_reference_resolves(folder: Path) -> None:
    for page in pages(folder):
        ids = {element.attributes.get("id") for element in page.elements}
        for element in page.elements:
            target = element.attributes.get("href") or element.attributes.get("src")
            if target and target.startswith("#"):
                assert target[1:] in ids
            elif target:
                file, _, place = target.partition("#")  # homes.html#ID is its script's, any id will do
                resolved = (page.path.parent / unquote(file)).resolve()
                assert place or "#" not in target
                assert resolved.is_file(), f"{page.path.name}: {target}"
                assert resolved.is_relative_to(folder.resolve())
            for name in ("for", "aria-labelledby", "aria-describedby"):
                assert set(element.attributes.get(name, "").split()) <= ids


def test_nothing_is_asked_from_a_network(folder: Path) -> None:
    for page in pages(folder):
        policy = page.all("meta", **{"http-equiv": "Content-Security-Policy"})[0].attributes["content"]
        assert "default-src 'none'" in policy
        assert "http:" not in policy
        assert "unsafe-eval" not in policy
        assert "script-src 'self' file:;" in policy  # no inline script runs, whatever an id may hold
        inline = [script for script in page.all("script") if "src" not in script.attributes]
        assert {script.attributes["type"] for script in inline} <= {"application/json"}


def test_hostile_ids_stay_text(folder: Path) -> None:
    index = (folder / "index.html").read_text(encoding="utf-8")
    assert "<script>alert" not in index
    assert "&lt;script&gt;alert(&#39;x&#39;)&lt;/script&gt;&#34;&amp;" in index
    rows = {
        row.attributes["data-site_id"]
        for row in Page(folder / "index.html").all("tr")
        if row.attributes.get("data-rank")
    }
    assert {HOSTILE, TRAVERSAL} <= rows

    for hostile in (HOSTILE, TRAVERSAL):
        page = Page(folder / "home" / page_name(hostile))
        assert page.all("h1")[0].text.startswith(hostile)
        kinds = {script.attributes.get("type") or script.attributes["src"] for script in page.all("script")}
        assert kinds == {
            "application/json",
            *(f"../assets/{name}.js" for name in ("search", "vega", "charts")),
        }


def test_same_night_same_bytes(folder: Path, tmp_path: Path, settings: Settings) -> None:
    write_report(tmp_path, example_night(), settings)

    for path in (path for path in folder.rglob("*") if path.is_file()):
        assert (tmp_path / path.relative_to(folder)).read_bytes() == path.read_bytes(), path.name


def test_home_pages_stop_at_the_setting(tmp_path: Path, night: ReportInput, settings: Settings) -> None:
    few = settings.model_copy(
        update={"report": settings.report.model_copy(update={"home_pages": 2, "index_rows": 3})}
    )

    write_report(tmp_path, night, few)

    assert len(list((tmp_path / "home").iterdir())) == 2
    index = Page(tmp_path / "index.html")
    assert len([row for row in index.all("tr") if "data-rank" in row.attributes]) == 3
    assert any("first 3 of 8 listed homes" in note.text for note in index.all("p", **{"class": "note"}))
    assert (
        len({a.attributes["href"] for a in index.all("a") if a.attributes["href"].startswith("home/")}) == 2
    )


def test_a_page_is_small(folder: Path) -> None:
    assert max(path.stat().st_size for path in (folder / "home").iterdir()) < 250_000


@pytest.mark.parametrize("text", ["</script><b>", "\u2028\u2029", "<!--", "&amp;", "Ünï"])
def test_script_json_can_not_leave_its_element(text: str) -> None:
    written = str(script_json({"id": text}))
    assert json.loads(written) == {"id": text}
    assert written.isascii()
    assert not set("<>&") & set(written)

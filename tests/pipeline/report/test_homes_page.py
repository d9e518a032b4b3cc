"""The page of any home: its groups' counts are the table's, its template has a place for every field it names."""

from __future__ import annotations

from pathlib import Path

from page import Page

from pipeline.report import ReportInput
from pipeline.report.home_groups import GROUPS, group_counts
from pipeline.report.home_records import home_records
from pipeline.report.homes_page import FIELDS


def test_the_groups_are_those_of_the_table(folder: Path, night: ReportInput) -> None:
    page = Page(folder / "homes.html")
    assert page.mistakes == []
    cells = iter(page.all("td", **{"data-label": "Homes"}))
    shown = {head.attributes["data-group"]: int(next(cells).text) for head in page.all("th", scope="row")}
    assert shown == {group: size for group, size in group_counts(night.site_scores).items() if size}
    assert {head.text for head in page.all("th", scope="row")} <= {name for name, _ in GROUPS.values()}
    assert "all 8 of the fleet" in page.all("h1")[0].text


def test_every_field_is_one_of_the_records(night: ReportInput, folder: Path) -> None:
    columns = home_records(night, {}).columns
    assert {field for _, field in FIELDS} <= set(columns)
    rows = {
        row.attributes["data-row"]
        for row in Page(folder / "homes.html").all("div")
        if "data-row" in row.attributes
    }
    assert rows == {field for _, field in FIELDS}


def test_every_page_can_look_homes_up(folder: Path) -> None:
    for path in folder.rglob("*.html"):
        page = Page(path)
        assert len(page.all("form", id="search")) == 1
        (script,) = [
            s for s in page.all("script") if s.attributes.get("src", "").endswith("assets/search.js")
        ]
        assert (path.parent / script.attributes["src"]).is_file()


def test_every_named_home_is_linked(folder: Path) -> None:
    links = [a.attributes["href"] for a in Page(folder / "index.html").all("a")]
    assert "homes.html#P-proved" in links  # visited, not listed: no page of its own

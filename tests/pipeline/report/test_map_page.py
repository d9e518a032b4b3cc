"""The map: every home once, marks that differ in shape, those without coordinates counted, a grid for many."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import polars as pl
from page import Page

from pipeline.report import ReportInput
from pipeline.report.map_page import MOST_DOTS, map_context


def test_each_home_is_drawn_once_by_its_mark(night: ReportInput) -> None:
    context = map_context(night)
    listed = dict(night.revisit_list.select("site_id", "fix_by").iter_rows())
    marks = {mark["site_id"]: mark["mark"] for mark in context["picture"]["marks"]}
    placed = night.sites.drop_nulls("latitude")["site_id"].to_list()
    calls = night.site_scores.filter(verdict="safety")["site_id"].to_list()
    assert calls
    assert marks == {
        site: way for site, way in (listed | dict.fromkeys(calls, "safety")).items() if site in placed
    }
    dots = [dot["site_id"] for dot in context["picture"]["dots"]]
    assert sorted([*marks, *dots]) == sorted(placed)


def test_the_page_counts_homes_without_coordinates_and_links_the_marks(
    folder: Path, night: ReportInput
) -> None:
    page = Page(folder / "map.html")
    without = night.sites["latitude"].null_count()
    assert page.mistakes == []
    assert f"{without} home without coordinates" in page.all("main")[0].text
    shapes = {path.attributes["class"] for path in page.all("path") if "class" in path.attributes}
    assert {"mark safety", "mark visit", "mark office"} <= shapes
    links = [a.attributes["href"] for a in page.all("a") if a.attributes.get("aria-label")]
    assert len(links) == night.revisit_list.height - without
    assert all(link.startswith("home/") for link in links)


def test_areas_add_up_to_the_fleet(folder: Path, night: ReportInput) -> None:
    page = Page(folder / "map.html")
    columns = {"Homes": night.site_scores.height, "Listed remote fixes": 1, "Safety calls": 2}
    for label, total in columns.items():
        assert sum(int(cell.text) for cell in page.all("td", **{"data-label": label})) == total


def test_a_big_fleet_is_counted_in_squares_and_none_is_lost(night: ReportInput) -> None:
    size = 3 * MOST_DOTS
    more = pl.DataFrame({"site_id": [f"M{at}" for at in range(size)]})
    scores = more.with_columns(
        area=pl.lit("North"), verdict=pl.lit("sound"), unproven_need=pl.lit(None, pl.String),
        is_neutral_suspect=pl.lit(False),
    )  # fmt: skip
    sites = more.with_columns(
        latitude=40 + (pl.int_range(pl.len()) * 7 % 101) / 200,
        longitude=-105 + (pl.int_range(pl.len()) * 13 % 97) / 200,
    )
    big = replace(night, site_scores=scores, sites=sites, revisit_list=night.revisit_list.clear())
    picture = map_context(big)["picture"]
    assert picture["dots"] == []
    assert sum(square["homes"] for square in picture["squares"]) == size
    assert max(square["size"] for square in picture["squares"]) <= picture["square"]
    assert len(picture["squares"]) < 2600


def test_a_fleet_without_coordinates_has_no_map(night: ReportInput) -> None:
    blind = night.sites.with_columns(latitude=pl.lit(None, pl.Float64))
    context = map_context(replace(night, sites=blind))
    assert (context["picture"], context["without_place"]) == (None, 8)


def test_names_of_areas_do_not_overlap(night: ReportInput) -> None:
    labels = map_context(night)["picture"]["labels"]
    assert {label["area"] for label in labels} == {"North", "South", "Harbour & Hills"}
    for at, one in enumerate(labels):
        for other in labels[:at]:
            assert (
                abs(one["x"] - other["x"]) > one["half"] + other["half"] or abs(one["y"] - other["y"]) >= 24
            )

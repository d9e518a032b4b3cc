"""The first page: order, separation of office and truck, filters' attributes, tiles, an empty night."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import polars as pl
from page import Element, Page

from pipeline.core.alarm import alarm, note, table
from pipeline.core.settings import Settings
from pipeline.report import ReportInput, write_report
from pipeline.report.index_page import CSV_COLUMNS


def listed(page: Page, way: str) -> list[Element]:
    return [row for row in page.all("tr") if row.attributes.get("data-fix_by") == way]


def test_rows_carry_every_column_for_filters_sorting_and_csv(folder: Path, night: ReportInput) -> None:
    page = Page(folder / "index.html")
    rows = listed(page, "visit") + listed(page, "office")
    assert len(rows) == night.revisit_list.height
    assert all({f"data-{name}" for name in CSV_COLUMNS} <= set(row.attributes) for row in rows)

    first = {row.attributes["data-rank"]: row.attributes for row in rows}["2"]
    assert (first["data-site_id"], first["data-suspected_fault"], first["data-leg"]) == (
        "MH-20417",
        "reversed",
        "l1",
    )
    assert (first["data-since"], first["data-likelihood"], first["data-verdict"]) == (
        "2026-06-02",
        "0.94",
        "suspect",
    )


def test_office_fixes_are_a_table_of_their_own(folder: Path) -> None:
    page = Page(folder / "index.html")
    assert {row.attributes["data-suspected_fault"] for row in listed(page, "office")} == {"wrong_ratio"}
    assert [table.attributes["id"] for table in page.all("table") if "data-columns" in table.attributes] == [
        "visits",
        "office",
    ]


def test_ranks_ascend_and_say_so(folder: Path) -> None:
    page = Page(folder / "index.html")
    ranks = [int(row.attributes["data-rank"]) for row in listed(page, "visit")]
    assert ranks == sorted(ranks)
    assert len(page.all("th", **{"aria-sort": "ascending"})) == 2


def test_filters_offer_only_what_occurs(folder: Path) -> None:
    page = Page(folder / "index.html")
    assert {select.attributes["data-filter"] for select in page.all("select")} == {
        "area",
        "suspected_fault",
        "fix_by",
        "verdict",
    }
    offered = {option.attributes["value"] for option in page.all("option")}
    assert {"=reversed", "=visit", "=office", "=suspect", "=unproven", "=Harbour & Hills"} <= offered
    assert not {"=sound", "=loose_core"} & offered


def test_tiles_count_verdicts_rows_and_silence(folder: Path) -> None:
    page = Page(folder / "index.html")
    values = [tile.text.split(" ")[0] for tile in page.all("dd")]
    names = [tile.text for tile in page.all("dt")]
    assert dict(zip(names, values, strict=True)) == {
        "safety calls": "1",
        "suspect": "6",
        "unproven": "1",
        "sound": "0",
        "homes silent": "7",
        "rows used": "96\u202f000",
        "rows rejected": "100",
    }


def test_safety_comes_first_today(folder: Path) -> None:
    first = Page(folder / "index.html").all("li")[0]
    assert "safety call" in first.text
    assert "MH-20980" in first.text


def test_an_alarm_stands_above_all_else_and_the_list_below_it(
    tmp_path: Path, night: ReportInput, settings: Settings
) -> None:
    lines = [
        note("late", "1 day came late", "run.json"),
        alarm("area_silent", "no home of <b>Harbour & Hills</b> has a usable row", "site_pulse.parquet"),
    ]
    write_report(tmp_path, replace(night, alarm=table(lines)), settings)

    page = Page(tmp_path / "index.html")
    (box,) = page.all("section", role="alert")
    assert page.mistakes == []
    assert "no home of <b>Harbour & Hills</b> has a usable row Look in site_pulse.parquet." in box.text
    assert "1 day came late" not in box.text
    assert page.all("h2")[0].text == "Look here before a truck goes"
    assert "1 day came late (run.json)" in page.all("section", **{"class": "notes"})[0].text
    assert len(listed(page, "visit")) > 0


def test_a_night_without_alarms_has_no_box(folder: Path) -> None:
    page = Page(folder / "index.html")
    assert page.all("section", role="alert") == []
    assert "3 newly listed" in page.all("section", **{"class": "notes"})[0].text


def test_likelihoods_read_as_shares(folder: Path) -> None:
    row = next(
        r for r in Page(folder / "index.html").all("tr") if r.attributes.get("data-site_id") == "MH-31122"
    )
    assert "90 % this fault, over 99 % any fault" in row.text
    assert row.attributes["data-fault_likelihood"] == "0.8955"
    first = Page(folder / "index.html").all("ul", **{"class": "firsts"})[0].text
    assert "reversed CT, L1, 85 % this fault, 94 % any fault." in first


def test_a_night_with_nothing_listed_says_so(tmp_path: Path, night: ReportInput, settings: Settings) -> None:
    calm = night.site_scores.with_columns(
        is_neutral_suspect=False, contradiction=pl.lit(None, dtype=pl.String)
    )
    quiet = replace(
        night,
        revisit_list=night.revisit_list.clear(),
        site_scores=calm,
        crews={name: table if name == "crew_fleet" else table.clear() for name, table in night.crews.items()},
        rejects=night.rejects.clear(),
    )

    write_report(tmp_path, quiet, settings)

    page = Page(tmp_path / "index.html")
    text = page.all("main")[0].text
    assert page.mistakes == []
    assert "Nothing is listed tonight" in text
    assert "No row was rejected" in text
    assert not (tmp_path / "home").exists()
    assert (
        "No crew has an install that can be judged yet" in Page(tmp_path / "crews.html").all("main")[0].text
    )


def test_every_claim_about_unproven_homes_is_the_tables(folder: Path, night: ReportInput) -> None:
    page = Page(folder / "index.html")
    (section,) = page.all("section", **{"aria-labelledby": "unproven-title"})
    needs = dict(
        night.site_scores.filter(pl.col("verdict") == "unproven").group_by("unproven_need").len().iter_rows()
    )
    rows = {row.attributes["data-need"] for row in page.all("tr") if "data-need" in row.attributes}
    links = {
        a.attributes["href"]: a.text for a in page.all("a") if "#?group=unproven-" in a.attributes["href"]
    }
    assert rows == set(needs)
    assert links == {f"homes.html#?group=unproven-{need}": str(homes) for need, homes in needs.items()}
    assert section.text.count("1 home, by what would settle each") == 1
    assert "More nights" not in page.all("main")[0].text


def test_the_counts_of_today_are_those_of_the_list(folder: Path, night: ReportInput) -> None:
    page = Page(folder / "index.html")
    ways = dict(night.revisit_list.group_by("fix_by").len().iter_rows())
    (first,) = page.all("section", **{"class": "first"})
    assert f"{ways['office']} remote fix." in first.text
    assert f"{ways['visit']} site visits are listed." in first.text
    assert f"{ways['visit']} listed" in page.all("h2", id="visits-title")[0].text
    assert f"{ways['office']} listed, no truck" in page.all("h2", id="office-title")[0].text


def test_a_list_longer_than_the_page_is_counted_whole(
    tmp_path: Path, night: ReportInput, settings: Settings
) -> None:
    few = settings.model_copy(update={"report": settings.report.model_copy(update={"index_rows": 3})})
    write_report(tmp_path, night, few)
    visits = night.revisit_list.filter(pl.col("fix_by") == "visit").height
    text = Page(tmp_path / "index.html").all("main")[0].text
    assert f"{visits} site visits are listed." in text

"""What the report's scripts do: marks that filters leave alone, the search by keyboard, any home's record, groups."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote

import polars as pl
import pytest

from pipeline.report.names import page_name


@pytest.fixture(scope="module")
def report(out: Path) -> Path:
    """The report as its readers open it: by the day's name, not by the folder behind it."""
    (run,) = (out / "runs").glob("????-??-??")
    return run / "report"


@pytest.fixture
def scores(report: Path) -> pl.DataFrame:
    return pl.read_parquet(report.parent / "site_scores.parquet")


@pytest.fixture
def page(browser: Any) -> Iterator[Any]:
    context = browser.new_context(offline=True)
    page = context.new_page()
    page.on("pageerror", lambda error: pytest.fail(str(error)))
    yield page
    context.close()


def marks(page: Any) -> list[str]:
    return page.eval_on_selector_all(
        "#visits tr.is-first", "rows => rows.map(row => row.dataset.rank).sort()"
    )


def test_filters_and_sorting_leave_the_first_of_the_list_alone(page: Any, report: Path) -> None:
    listed = (
        pl.read_parquet(report.parent / "revisit_list.parquet")
        .filter(pl.col("fix_by") == "visit")
        .sort("rank")
    )
    page.goto((report / "index.html").as_uri())
    page.fill("#trucks", "1")
    page.fill("#per-truck", "3")
    first = sorted(str(rank) for rank in listed["rank"][:3])
    assert marks(page) == first
    told = page.inner_text("#first-told")
    minutes = listed["minutes_on_site"][:3].sum()
    assert f"The first 3 of {listed.height} listed: {minutes // 60} h {minutes % 60:02d} min on site" in told
    assert page.inner_text("#visits .line") == "The first 3 of the list end here"

    area = listed["area"][-1]
    page.select_option("#f-area", f"={area}")
    shown = page.eval_on_selector_all(
        "#visits tbody tr[data-rank]", "rows => rows.filter(r => !r.hidden).length"
    )
    assert shown == listed.filter(pl.col("area") == area).height
    assert (marks(page), page.inner_text("#first-told")) == (first, told)

    page.click("#visits [data-sort=area]")
    assert (marks(page), page.inner_text("#first-told")) == (first, told)
    assert page.locator("#visits .line").count() == 0


def test_the_search_lists_by_the_beginning_and_goes_by_keyboard(
    page: Any, report: Path, scores: pl.DataFrame
) -> None:
    page.goto((report / "home").joinpath(sorted(p.name for p in (report / "home").iterdir())[0]).as_uri())
    page.keyboard.press("Tab")
    page.focus("#search-text")
    page.keyboard.type("h0001")
    page.wait_for_selector("#search-list li")
    found = page.eval_on_selector_all("#search-list bdi", "items => items.map(item => item.textContent)")
    begin = scores.filter(pl.col("site_id").str.starts_with("H0001"))["site_id"].sort().to_list()
    assert found == begin[:8]
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("Enter")
    page.wait_for_selector("#home:not([hidden]) h2")
    assert page.inner_text("#home h2 bdi") == begin[1]
    assert page.url.endswith(f"homes.html#{begin[1]}")


def test_any_home_has_a_record_with_its_rows_words(page: Any, report: Path, scores: pl.DataFrame) -> None:
    standing = pl.read_parquet(report.parent / "standing.parquet")
    homes = scores.join(standing.select("site_id", "standing"), on="site_id").sort("site_id")
    page.goto((report / "homes.html").as_uri())
    for row in homes.gather_every(9).iter_rows(named=True):
        site = row["site_id"]
        page.evaluate(f"window.location.hash = {quote(site)!r}")
        page.wait_for_function("id => document.documentElement.dataset.shown === id", arg=site)
        assert page.inner_text("#home h2 bdi") == site
        assert page.inner_text("#home [data-row=status] dd") == row["standing"]
        assert page.inner_text("#home [data-row=evidence] dd") == row["evidence"]
        has_page = (report / "home" / page_name(site)).is_file()
        assert page.is_visible("#home [data-page]") == has_page
        assert page.is_visible("#home [data-row=unproven_why]") == (row["unproven_why"] is not None)


def test_an_unknown_home_is_said_to_be_unknown(page: Any, report: Path) -> None:
    page.goto((report / "homes.html").as_uri() + "#" + quote("<img src=x onerror=alert(1)>"))
    page.wait_for_selector("#home:not([hidden])")
    assert page.inner_text("#home") == "No home is called <img src=x onerror=alert(1)> here."


def test_a_group_shows_its_homes(page: Any, report: Path, scores: pl.DataFrame) -> None:
    page.goto((report / "index.html").as_uri())
    page.click("tr[data-need=meter] a")
    page.wait_for_selector("#group:not([hidden]) tbody tr")
    page.wait_for_function("document.documentElement.dataset.shown")
    shown = page.eval_on_selector_all("#group bdi", "items => items.map(item => item.textContent)")
    is_meter = (pl.col("unproven_need") == "meter") & (pl.col("verdict") == "unproven")
    assert shown == scores.filter(is_meter & ~pl.col("is_neutral_suspect"))["site_id"].sort().to_list()


def test_links_out_of_the_report_lead_there_from_the_day_and_from_latest(
    page: Any, out: Path, report: Path
) -> None:
    copy = (report / "index.html").read_text(encoding="utf-8")
    assert "data-out" not in copy  # this night was planned after it
    for place, expected in ((f"runs/{report.parent.name}", "../../../x"), ("latest", "../../x")):
        page.goto((out / place / "report" / "index.html").absolute().as_uri())
        page.evaluate(
            "() => { const a = document.createElement('a'); a.dataset.out = ''; a.setAttribute('href', '../../../x');"
            " document.body.append(a); const s = document.createElement('script'); s.src = 'assets/search.js';"
            " return new Promise(done => { s.onload = done; document.body.append(s); }); }"
        )
        assert page.get_attribute("a[data-out]", "href") == expected

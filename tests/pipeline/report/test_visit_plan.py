"""The first page repeats a plan that was made, with its number and its place, and claims none otherwise."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import polars as pl
from page import Page

from pipeline.core.settings import Settings
from pipeline.report import ReportInput, write_report
from pipeline.report.names import truck_day_page
from pipeline.report.visit_plan import next_plan
from pipeline.worklist.planned_visits import PLANS


def plans(night: ReportInput, *rows: tuple[str, int, str, int]) -> pl.DataFrame:
    """Plans of (home, days after the night, truck, days before the night it was made)."""
    return pl.DataFrame(
        [
            {"site_id": site, "planned_on": night.as_of + timedelta(days=on), "truck_id": truck,
             "planned_made_on": night.as_of - timedelta(days=made)}
            for site, on, truck, made in rows
        ],
        schema=PLANS,
    )  # fmt: skip


def test_only_a_plan_beyond_the_night_counts_and_the_nearest_day_is_it(night: ReportInput) -> None:
    made = plans(
        night,
        ("MH-20417", 1, "T1", 1),
        ("gone-1", 1, "T2", 1),
        ("MH-31122", 2, "T1", 1),
        ("MH-20980", 0, "T1", 1),
    )
    found = next_plan(replace(night, plans=made))
    assert found == {
        "day": date(2026, 6, 15), "visits": 2, "trucks": 2, "listed": 1, "made_on": date(2026, 6, 13),
        "sites": frozenset({"MH-20417", "gone-1"}),
    }  # fmt: skip
    assert next_plan(replace(night, plans=made.filter(pl.col("site_id") == "MH-20980"))) is None


def test_the_page_says_the_plans_number_and_links_it(
    tmp_path: Path, night: ReportInput, settings: Settings
) -> None:
    made = plans(night, ("MH-20417", 1, "T1", 1), ("MH-31122", 1, "T1", 1))
    write_report(tmp_path, replace(night, plans=made), settings)
    page = Page(tmp_path / "index.html")
    (line,) = page.all("li", id="plan")
    assert line.text.startswith(
        "2 site visits are planned for 15 Jun 2026, for 1 truck; 2 of them on tonight's list."
    )
    link = next(a for a in page.all("a") if "data-out" in a.attributes)
    assert link.attributes["href"] == "../../../dispatch/2026-06-13/index.html"
    trucks = [a.attributes["href"] for a in page.all("a", **{"class": "planned-tag"})]
    assert trucks == [f"../../../dispatch/2026-06-13/{truck_day_page(date(2026, 6, 15), 'T1')}"] * 2
    marked = [
        row.attributes["data-site_id"]
        for row in page.all("tr")
        if "planned" in row.text and "data-rank" in row.attributes
    ]
    assert sorted(marked) == ["MH-20417", "MH-31122"]
    assert "dispatch decides who goes where" not in page.all("main")[0].text


def test_without_a_plan_the_page_decides_nothing(folder: Path, night: ReportInput) -> None:
    text = Page(folder / "index.html").all("main")[0].text
    visits = night.revisit_list.filter(pl.col("fix_by") == "visit").height
    assert f"{visits} site visits are listed. No plan reaches beyond this night yet" in text
    assert "fit today" not in text

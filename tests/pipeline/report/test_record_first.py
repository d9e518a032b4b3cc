"""Records to look at before any truck: whose, in which order, with what the office does."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import polars as pl
from example import CONTRADICTION
from page import Page

from pipeline.core.settings import Settings
from pipeline.report import ReportInput, write_report
from pipeline.report.record_first import MOST_ROWS, record_first
from pipeline.scoring.innocent import CAUSES


def many(night: ReportInput, count: int) -> ReportInput:
    home = night.site_scores.filter(pl.col("site_id") == "new-3")
    more = [
        home.with_columns(
            site_id=pl.lit(f"R-{at:03d}"), record_likelihood=pl.lit(at / 100), likelihood=pl.lit(0.1)
        )
        for at in range(count)
    ]
    return replace(night, site_scores=pl.concat([night.site_scores, *more]))


def test_the_section_says_the_number_the_cause_the_fault_and_the_desk(folder: Path) -> None:
    (table,) = [
        table for table in Page(folder / "index.html").all("table") if "innocent cause first" in table.text
    ]
    for part in (
        CONTRADICTION, "a clock that is hours off, 41 %", "reversed CT: 32 % this fault, 35 % any fault",
        CAUSES["clock_wrong"].office,
    ):  # fmt: skip
        assert part in table.text
    assert "MH-20417" not in table.text  # a suspect has its place on the list


def test_the_count_stands_in_the_heading_and_a_listed_truck_is_told_to_wait(folder: Path) -> None:
    page = Page(folder / "index.html")
    (heading,) = page.all("h2", id="record-title")
    assert heading.text == "Check the site record first 1 home, from the office"
    assert (
        "1 of them is listed for a site visit: check the site record before that truck goes."
        in page.all("main")[0].text
    )


def test_likeliest_cause_comes_first_and_the_rest_is_counted(night: ReportInput) -> None:
    context = record_first(many(night, 40))
    likely = [row["cause_likelihood"] for row in context["record_rows"]]
    assert (context["record_count"], len(likely), context["record_trucks"]) == (41, MOST_ROWS, 1)
    assert likely == sorted(likely, reverse=True)


def test_without_such_a_home_nothing_is_said(night: ReportInput, settings: Settings, tmp_path: Path) -> None:
    calm = night.site_scores.with_columns(contradiction=pl.lit(None, dtype=pl.String))
    write_report(tmp_path, replace(night, site_scores=calm), settings)
    assert "record first" not in Page(tmp_path / "index.html").all("main")[0].text


def test_no_truck_is_promised_where_none_is_listed(
    night: ReportInput, settings: Settings, tmp_path: Path
) -> None:
    listed = night.revisit_list.filter(pl.col("site_id") != "new-3")
    write_report(tmp_path, replace(night, revisit_list=listed), settings)
    assert "No truck goes for it." in Page(tmp_path / "index.html").all("main")[0].text

"""The trend reads back as the table's: by night, by week, and in the picture."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date
from pathlib import Path

from page import Page

from pipeline.core.settings import Settings
from pipeline.report import ReportInput, write_report
from pipeline.report.trend_page import by_week, trend_chart

LABELS = {
    "waiting": "Backlog",
    "new": "New",
    "fixed": "Fixed, by the visit",
    "confirmed": "Confirmed right by data",
}


def test_the_tables_hold_the_numbers_of_the_nights(folder: Path, night: ReportInput) -> None:
    page = Page(folder / "trend.html")
    nights = night.night_count.sort("as_of", descending=True)
    weeks = by_week(night.night_count).reverse()
    assert page.mistakes == []
    for column, label in LABELS.items():
        cells = [int(cell.text) for cell in page.all("td", **{"data-label": label})]
        assert cells == [*weeks[column], *nights[column]]


def test_a_week_sums_what_came_and_keeps_its_last_levels(night: ReportInput) -> None:
    weeks = by_week(night.night_count)
    columns = ("week", "nights", "new", "fixed", "confirmed", "listed", "waiting")
    assert weeks.select(columns).rows() == [
        (date(2026, 6, 1), 2, 4, 3, 1, 8, 10),
        (date(2026, 6, 8), 3, 3, 2, 3, 8, 10),
    ]


def test_the_picture_has_every_night_of_every_line(folder: Path, night: ReportInput) -> None:
    (script,) = Page(folder / "trend.html").all("script", id="trend-spec")
    rows = json.loads(script.text)["datasets"]["nights"]
    drawn = {(row["day"], row["line"]): row["homes"] for row in rows}
    for row in night.night_count.iter_rows(named=True):
        day = f"{row['as_of']}"
        assert drawn[day, "backlog"] == row["waiting"]
        assert drawn[day, "new"] == row["new"]
        assert drawn[day, "confirmed right by the data"] == row["confirmed"]
    assert len(drawn) == 4 * night.night_count.height


def test_the_caption_counts_what_came_after_the_first_night(folder: Path) -> None:
    (caption,) = Page(folder / "trend.html").all("figcaption", id="trend-caption")
    assert caption.text == (
        "Backlog: 11 homes on 6 Jun 2026, 10 on 14 Jun 2026. In between 4 came new on the list, 5 left it, and the "
        "data confirmed 3 fixes."
    )


def test_a_first_night_says_so(tmp_path: Path, night: ReportInput, settings: Settings) -> None:
    first = replace(night, night_count=night.night_count.tail(1))
    assert trend_chart(first.night_count) is None
    write_report(tmp_path, first, settings)
    assert "every listed home counts as new" in Page(tmp_path / "trend.html").all("main")[0].text

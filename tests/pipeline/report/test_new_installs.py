"""New installs: who counts as new, what is known after so many nights, what still lacks."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
from page import Page

from pipeline.report import ReportInput
from pipeline.report.names import crew_anchor
from pipeline.report.new_installs import NEW_DAYS, new_installs


@pytest.fixture
def young(night: ReportInput) -> ReportInput:
    """Five homes commissioned 0, 2, 20, 21 and 30 days ago, one tomorrow, with as many nights; one without sun."""
    ages = {"MH-20417": 0, "MH-20980": 2, "MH-31122": 20, "MH-31150": 21, "new-3": 30, "single-9": -1}
    back = pl.col("site_id").replace_strict(ages, default=400, return_dtype=pl.Int64)
    commissioned = pl.lit(night.as_of) - pl.duration(days=back)
    no_sun = pl.when(pl.col("site_id") != "MH-20980").then(pl.col("slope_l1", "slope_l2"))
    return replace(
        night,
        sites=night.sites.with_columns(commissioned_on=commissioned.cast(pl.Date)),
        site_scores=night.site_scores.with_columns(no_sun, nights=back.clip(0, 28)),
    )


def test_new_is_three_weeks_and_newest_first(young: ReportInput) -> None:
    found = new_installs(young)
    assert [row["site_id"] for row in found["new_rows"]] == ["MH-20417", "MH-20980", "MH-31122"]
    assert found["new_count"] == 3
    since = young.as_of - timedelta(days=NEW_DAYS)
    assert all(since < row["commissioned_on"] <= young.as_of for row in found["new_rows"])


def test_the_stages_add_up_and_the_sunless_are_counted(young: ReportInput) -> None:
    found = new_installs(young)
    assert [(stage["nights"], stage["homes"]) for stage in found["new_stages"]] == [
        ("7 nights or more", 1), ("3 to 6 nights", 0), ("1 to 2 nights", 1), ("0 nights", 1),
    ]  # fmt: skip
    assert found["new_sunless"] == 1
    assert [row["lacks"] for row in found["new_rows"]] == ["", "a sunny day", ""]


def test_the_page_says_what_the_table_says(folder: Path, night: ReportInput) -> None:
    """The example's one new home: two nights, unproven for its record."""
    page = Page(folder / "index.html")
    (section,) = page.all("section", **{"aria-labelledby": "new-title"})
    assert "1 home commissioned in the last 21 days" in section.text
    assert "1 home with 1 to 2 nights" in section.text
    assert "a look at the site record" in section.text
    row = night.site_scores.filter(pl.col("site_id") == "new-3").row(0, named=True)
    assert "32 % this fault, 35 % any fault" in section.text
    assert f"crews.html#{crew_anchor(row['crew_id'])}" in [a.attributes["href"] for a in page.all("a")]

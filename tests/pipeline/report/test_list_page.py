"""The page Expected value: break-even in words, what differs on top, every term, and nothing a hostile id can run."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import polars as pl
import pytest
from example_list import HOSTILE_HOME, list_tables
from page import Page

from pipeline.core.settings import Settings
from pipeline.report import ReportInput
from pipeline.report.list_page import list_context
from pipeline.report.write import report_environment
from pipeline.worklist.energy_so_far_text import so_far_text


@pytest.fixture(scope="module")
def page(folder: Path) -> Page:
    return Page(folder / "list.html")


def without_visits(night: ReportInput, settings: Settings, tmp_path: Path) -> Page:
    return shown(night, settings, tmp_path, list_tables(has_visits=False))


def shown(night: ReportInput, settings: Settings, tmp_path: Path, tables: Mapping[str, pl.DataFrame]) -> Page:
    shared = {"as_of": night.as_of, "window_days": 30, "model_id": "m", "root": ".", "swaps": {}}
    context = list_context(replace(night, list_tables=tables), settings)
    path = tmp_path / "list.html"
    path.write_text(
        report_environment(night.faults, ()).get_template("list.html").render(shared | context),
        encoding="utf-8",
    )
    return Page(path)


def test_the_break_even_is_said_with_the_costs_it_follows_from(page: Page, night: ReportInput) -> None:
    (lead,) = page.all("p", **{"class": "lead"})
    cut = night.list_tables["list_cut"].row(0, named=True)
    assert f"from a likelihood of about {cut['threshold'] * 100:.0f} %" in lead.text
    assert f"a no-fault-found visit costs {cut['needless_cost']:.0f} USD" in lead.text
    assert f"brings {cut['true_value']:.0f} USD" in lead.text


def test_what_differs_stands_on_top_and_in_its_month(page: Page, night: ReportInput) -> None:
    (notice,) = page.all("div", role="status")
    total = night.list_tables["hit_rate"].filter(pl.col("month").is_null()).row(0, named=True)
    assert f"found too few faults: {total['hits']} in {total['visits']} visits, predicted 48.0" in notice.text
    assert "differs from predicted in 2026-05." in notice.text
    (table,) = [table for table in page.all("table") if "by month" in table.text]
    assert "40 % (" in table.text
    assert table.text.count("too few") == 2


def test_of_a_year_of_months_the_newest_comes_first(
    night: ReportInput, settings: Settings, tmp_path: Path
) -> None:
    """So that it is there however much of the page is printed or seen."""
    page = shown(night, settings, tmp_path, list_tables(months=14))
    months = [
        cell.text for cell in page.all("th", scope="row") if re.fullmatch(r"20\d\d-\d\d|all", cell.text)
    ]
    assert len(months) == 15
    assert months == ["all", *sorted(months[1:], reverse=True)]


def test_each_home_shows_every_term(page: Page, night: ReportInput) -> None:
    (table,) = [table for table in page.all("table") if "Values in USD" in table.text]
    home = night.list_tables["revisit_list"].row(0, named=True)
    for name in ("value_gain", "value_cost", "value_regret", "priority"):
        assert f"{home[name]:.0f}" in table.text


def test_the_energy_so_far_stands_with_its_days_and_its_interval_and_is_called_an_estimate(
    page: Page, night: ReportInput
) -> None:
    cells = [cell.text for cell in page.all("td", **{"data-label": "Estimate"})]
    assert cells == [so_far_text(row) for row in night.list_tables["revisit_list"].sort("rank").to_dicts()]
    assert "30 days with data: estimate 360 kWh (324 to 432)" in cells[0]
    named = [cell.text for cell in page.all("td", **{"data-label": "Suspected, this fault"})]
    assert "reversed CT, 85 %" in named


def test_the_chance_of_repair_says_of_how_many_visits_it_is(
    page: Page, night: ReportInput, settings: Settings, tmp_path: Path
) -> None:
    settled = night.list_tables["chance"].filter(pl.col("fault").is_null())["settled"].sum()
    assert settled > 0
    assert any(f"Learned from {settled} visits in the register" in p.text for p in page.all("p"))
    none = [p.text for p in without_visits(night, settings, tmp_path).all("p")]
    assert not any("Learned from" in text for text in none)
    assumed = f"assumed in the settings ({100 * settings.ranking.chance_visit:.0f} % for a visit"
    assert any(assumed in text for text in none)


def test_the_named_faults_own_likelihood_stands_beside_that_of_any(page: Page) -> None:
    named = [cell.text for cell in page.all("td", **{"data-label": "This fault"})]
    either = [cell.text for cell in page.all("td", **{"data-label": "Any fault"})]
    assert len(named) == len(either) == 3
    assert ("85 %", "94 %") in zip(named, either, strict=True)


def test_homes_beyond_the_lists_end_are_counted(page: Page) -> None:
    (note,) = [p.text for p in page.all("p") if "for the list, which ends" in p.text]
    assert note.startswith("1 home more qualifies for the list, which ends after 5\u202f000 rows")


def test_a_hostile_id_is_text(page: Page) -> None:
    assert any(HOSTILE_HOME in cell.text for cell in page.all("th", scope="row"))
    assert not [script for script in page.all("script") if "alert" in script.text]


def test_before_any_visit_the_page_says_so(night: ReportInput, settings: Settings, tmp_path: Path) -> None:
    page = without_visits(night, settings, tmp_path)
    assert page.mistakes == []
    assert any("No visit to a listed home is in the register yet" in p.text for p in page.all("p"))
    assert any("too few to compare" in p.text for p in page.all("p"))
    assert not page.all("div", role="status")

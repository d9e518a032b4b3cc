"""The page on the list: the cut in words, drift in sight, every home's terms, and nothing a hostile id can run."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from example_list import HOSTILE_HOME, list_tables
from page import Page

from pipeline.core.settings import Settings
from pipeline.report import ReportInput
from pipeline.report.list_page import list_context
from pipeline.report.write import report_environment


@pytest.fixture(scope="module")
def page(folder: Path) -> Page:
    return Page(folder / "list.html")


def without_visits(night: ReportInput, settings: Settings, tmp_path: Path) -> Page:
    shared = {"as_of": night.as_of, "window_days": 30, "model_id": "m", "root": ".", "swaps": {}}
    context = list_context(replace(night, list_tables=list_tables(has_visits=False)), settings)
    path = tmp_path / "list.html"
    path.write_text(
        report_environment(night.faults, ()).get_template("list.html").render(shared | context),
        encoding="utf-8",
    )
    return Page(path)


def test_the_cut_is_said_with_the_costs_it_follows_from(page: Page, night: ReportInput) -> None:
    (lead,) = page.all("p", **{"class": "lead"})
    cut = night.list_tables["list_cut"].row(0, named=True)
    assert f"about {cut['threshold'] * 100:.0f} % on" in lead.text
    assert f"a needless one costs {cut['needless_cost']:.0f} USD" in lead.text


def test_drift_stands_on_top_and_in_its_month(page: Page) -> None:
    (notice,) = page.all("div", role="status")
    assert "found too few faults for what was promised: 36 of 60, promised 48.0" in notice.text
    assert "drifted in 2026-05." in notice.text
    (table,) = [table for table in page.all("table") if "by month" in table.text]
    assert "40 % (" in table.text
    assert table.text.count("too few") == 2


def test_each_home_shows_every_term(page: Page, night: ReportInput) -> None:
    (table,) = [table for table in page.all("table") if "Values in USD" in table.text]
    home = night.list_tables["revisit_list"].row(0, named=True)
    for name in ("value_gain", "value_cost", "value_regret", "priority"):
        assert f"{home[name]:.0f}" in table.text
    assert "360 kWh in 30 d" in table.text


def test_the_named_faults_own_likelihood_stands_beside_that_of_any(page: Page) -> None:
    named = [cell.text for cell in page.all("td", **{"data-label": "This fault"})]
    either = [cell.text for cell in page.all("td", **{"data-label": "Any fault"})]
    assert len(named) == len(either) == 3
    assert ("85 %", "94 %") in zip(named, either, strict=True)


def test_homes_beyond_the_lists_end_are_counted(page: Page) -> None:
    (note,) = [p.text for p in page.all("p") if "wanted on the list" in p.text]
    assert note.startswith("1 home more is wanted on the list, which ends after 5\u202f000 rows")


def test_a_hostile_id_is_text(page: Page) -> None:
    assert any(HOSTILE_HOME in cell.text for cell in page.all("th", scope="row"))
    assert not [script for script in page.all("script") if "alert" in script.text]


def test_before_any_visit_the_page_says_so(night: ReportInput, settings: Settings, tmp_path: Path) -> None:
    page = without_visits(night, settings, tmp_path)
    assert page.mistakes == []
    assert any("No listed home has been visited" in p.text for p in page.all("p"))
    assert any("too few to confirm a curve" in p.text for p in page.all("p"))
    assert not page.all("div", role="status")

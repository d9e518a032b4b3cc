"""What the pages say of visits: proofs on the first page, doubts for both readers, the story on the home's page."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from example_visits import HOSTILE_NOTE
from page import Page

from pipeline.core.settings import Settings
from pipeline.report import ReportInput, write_report
from pipeline.report.names import page_name
from pipeline.report.visit_rows import after_visit_rows


def test_homes_that_are_still_wrong_come_first_then_open_ones_then_those_proved_lately(
    night: ReportInput, folder: Path
) -> None:
    assert [row["site_id"] for row in after_visit_rows(night)] == ["MH-20417", "P-open", "P-proved"]
    links = {link.attributes["href"] for link in Page(folder / "index.html").all("a")}
    assert f"home/{page_name('MH-20417')}" in links
    assert f"home/{page_name('P-open')}" not in links


def test_doubts_are_shown_to_both_readers_newest_first(folder: Path) -> None:
    for name in ("index.html", "crews.html"):
        tables = [t for t in Page(folder / name).all("table") if "contradict each other" in t.text]
        assert len(tables) == 1
        text = tables[0].text
        assert text.index("V9") < text.index("V7")
        assert "sound, not fixed" not in text


def test_the_story_is_on_the_homes_page_oldest_first_and_runs_nothing(folder: Path) -> None:
    page = Page(folder / "home" / page_name("MH-20417"))
    (story,) = page.all("ol", **{"class": "story"})
    assert story.text.index("visit V7") < story.text.index("still wrong after the visit")
    assert HOSTILE_NOTE in story.text
    assert not page.all("img")


def test_without_visits_nothing_is_said_of_them(
    night: ReportInput, settings: Settings, tmp_path: Path
) -> None:
    quiet = replace(night, standing=night.standing.clear(), visit_doubt=night.visit_doubt.clear())
    write_report(tmp_path, quiet, settings)
    headings = [heading.text for heading in Page(tmp_path / "index.html").all("h2")]
    assert not any(heading.startswith(("After the visits", "Visits in doubt")) for heading in headings)

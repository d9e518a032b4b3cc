"""A home's record holds the words of its row, both likelihoods, its page where there is one, and nothing private."""

from __future__ import annotations

import pytest

from pipeline.faults.fault_text import fault_title
from pipeline.report import ReportInput, words
from pipeline.report.home_records import home_records
from pipeline.report.names import crew_anchor, page_name


@pytest.fixture
def records(night: ReportInput) -> dict[str, dict]:
    return {
        row["site_id"]: row
        for row in home_records(night, {"MH-20417": f"home/{page_name('MH-20417')}"}).iter_rows(named=True)
    }


def test_every_home_has_one_and_they_are_sorted_as_people_type(night: ReportInput) -> None:
    records = home_records(night, {})
    assert sorted(records["site_id"]) == sorted(night.site_scores["site_id"])
    assert records["key"].to_list() == sorted(site.lower() for site in night.site_scores["site_id"])


def test_a_record_says_what_the_tables_say(night: ReportInput, records: dict[str, dict]) -> None:
    for score in night.site_scores.iter_rows(named=True):
        record = records[score["site_id"]]
        assert record["fault"] == fault_title(score["suspected_fault"])
        assert record["this_fault"] == words.percent(score["fault_likelihoods"][score["suspected_fault"]])
        assert record["any_fault"] == words.percent(score["likelihood"])
        assert record["crew"] == crew_anchor(score["crew_id"])
        assert (record["since"] or "–") == words.day(score["onset_on"])
        if score["slope_l1"] is not None:
            assert f"L1 {words.number(score['slope_l1'], 2, sign=True)}" in record["slopes"]
    assert records["single-9"]["slopes"] is None
    assert records["new-3"]["need"].startswith("a look at the site record")
    assert records["MH-20980"]["group"] == "safety"
    assert (records["MH-20417"]["status"], records["MH-20417"]["rank"]) == ("still wrong after the visit", 2)


def test_only_homes_with_a_page_name_it(records: dict[str, dict]) -> None:
    pages = {site: row["page"] for site, row in records.items() if row["page"]}
    assert pages == {"MH-20417": f"home/{page_name('MH-20417')}"}


def test_no_visit_note_is_in_a_record(night: ReportInput) -> None:
    assert "onerror" in str(night.home_story["told"].to_list())
    assert "onerror" not in str(home_records(night, {}).rows())

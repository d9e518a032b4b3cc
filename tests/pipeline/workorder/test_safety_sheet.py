"""The call sheet: the black box first, what to say, what to write down; nothing scripted."""

from __future__ import annotations

import pytest
from example_safety import call, safety_calls
from orders_example import HOSTILE, NOTE, Wish, night
from sheet import Sheet

from pipeline.core.settings import Settings
from pipeline.report import safety_words
from pipeline.worklist.safety_call_text import CALLED
from pipeline.workorder.safety_sheet import FIELDS, RECORD, safety_sheets
from pipeline.workorder.write import safety_page


@pytest.fixture(params=["H1", HOSTILE])
def sheet(request: pytest.FixtureRequest, settings: Settings) -> Sheet:
    site = request.param
    tables = night(Wish("dead", "l1", site_id=site, contact={"address": "1 Sample Street"}))
    tables.frames["safety_call"] = safety_calls(call(site), call("H2", is_open=False))
    (made,) = safety_sheets(tables, (), settings=settings.verdict)
    return Sheet(safety_page(made))


def test_the_box_the_calls_and_the_hands_off_come_first_then_the_numbers(sheet: Sheet) -> None:
    assert sheet.mistakes == []
    assert sheet.open == []
    parts = (
        f"CALL NOW. {safety_words.summary()}", *safety_words.CALLS, *safety_words.HANDS_OFF, *safety_words.LEAVE,
        safety_words.utility_script(), safety_words.CUSTOMER_SCRIPT, "−2.50 ± 0.04 V", "Site record", "Write down",
        safety_words.GOVERN,
    )  # fmt: skip
    places = [sheet.text.index(part) for part in parts]
    assert places == sorted(places)


def test_there_is_a_field_for_each_thing_to_write_down_and_a_row_of_the_register(sheet: Sheet) -> None:
    for name, _ in FIELDS:
        assert name in sheet.text
    assert " ".join(RECORD) in sheet.text
    assert NOTE not in sheet.text
    assert "Address 1 Sample Street" in " ".join(sheet.text.split())


def test_only_open_calls_and_only_those_asked_for_have_a_sheet(settings: Settings) -> None:
    tables = night(Wish("dead", "l1", site_id="B"))
    tables.frames["safety_call"] = safety_calls(call("A"), call("B", status=CALLED), call("C", is_open=False))
    assert [made.site_id for made in safety_sheets(tables, (), settings=settings.verdict)] == ["A", "B"]
    (made,) = safety_sheets(tables, ("B", "C"), settings=settings.verdict)
    assert (made.site_id, made.safety_calls[0].split(".")[0]) == ("B", "CALLED, NOT REPAIRED YET")
    assert ("Area", "North") in made.facts


def test_a_home_of_three_lines_is_told_in_lines_with_each_pair_measured(settings: Settings) -> None:
    tables = night(Wish("dead", "l1", service="230/400"))
    pairs = {
        "v_per_kw_l1_23": -2.6,
        "v_per_kw_l1_se_23": 0.05,
        "v_per_kw_l2_23": 2.7,
        "v_per_kw_l2_se_23": 0.05,
    }
    tables.frames["safety_call"] = safety_calls(call("H1", **pairs))
    (made,) = safety_sheets(tables, (), settings=settings.verdict)
    text = Sheet(safety_page(made)).text
    assert safety_words.summary(3) in text
    assert safety_words.utility_script(3) in text
    assert "V2 − V3 for each kW of L3 as read" in text
    assert " leg" not in text

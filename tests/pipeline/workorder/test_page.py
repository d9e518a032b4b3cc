"""The sheet: cautions before everything, nothing of an id runs, nothing is asked of a network."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date

import pytest
from orders_example import ADDRESS, CREW, HOSTILE, LOOKALIKE, NOTE, Wish
from sheet import Sheet

from pipeline.core.contract import FINDINGS
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.fault_text import fault_title
from pipeline.faults.types import CAUTIONS
from pipeline.report.names import page_name
from pipeline.workorder.order import Order
from pipeline.workorder.write import order_page

SheetOf = Callable[[Wish], Sheet]
FIRST_LEGS = [(name, fault.legs_of(2)[0]) for name, fault in CATALOGUE.items()]


@pytest.mark.parametrize(("name", "leg"), FIRST_LEGS)
def test_cautions_come_before_everything_else(name: str, leg: str, sheet_of: SheetOf) -> None:
    sheet = sheet_of(Wish(name, leg))

    assert sheet.mistakes == []
    assert sheet.open == []
    assert sheet.headings[0] == "Home H1"
    assert sheet.headings[1].startswith("Before any")
    assert sheet.headings[2].startswith("Suspected, not found: ")
    last = max(sheet.text.index(caution) for caution in CAUTIONS)
    assert (
        last
        < sheet.text.index("Local codes, the employer's safety programme")
        < sheet.text.index("Suspected, not")
    )


def test_a_safety_call_stands_above_the_cautions(sheet_of: SheetOf) -> None:
    for fault, leg in (("reversed", "l1"), ("wrong_ratio", "both")):
        text = sheet_of(Wish(fault, leg, score={"verdict": "safety"})).text
        assert text.index("SAFETY CALL FIRST") < text.index(CAUTIONS[0])


def test_a_visit_and_a_desk_have_sheets_of_their_own(sheet_of: SheetOf) -> None:
    visit = sheet_of(Wish("reversed", "l1"))
    assert visit.headings[3:] == [
        "Steps about 25 min on site", "Bring", "What else it could be", "Site record",
        "Until the visit: by a setting, from the office",
        "Known-load test: prove it before leaving W; before: as found; after: as left",
        "Record one row of visits.csv; codes beside the words",
    ]  # fmt: skip
    office = sheet_of(Wish("wrong_ratio", "both"))
    assert office.headings[1] == "Before anybody opens a panel"
    assert "Proof to wait for" in office.headings
    assert "Never ask the customer to open a panel" in office.text
    assert "known-load test" not in office.text
    assert "400 ± 8 A by the data" in office.text


@pytest.mark.parametrize("site", [HOSTILE, LOOKALIKE])
def test_a_hostile_id_stays_text(site: str, sheet_of: SheetOf) -> None:
    sheet = sheet_of(Wish("reversed", "l1", site_id=site, register={"area": site}))

    assert " ".join(site.split()) in sheet.text
    assert {tag for tag, _ in sheet.tags} & {"script", "iframe", "img", "object", "form"} == set()
    assert not [name for _, attributes in sheet.tags for name in attributes if name.startswith("on")]


def test_nothing_is_asked_of_a_network(sheet_of: SheetOf) -> None:
    sheet = sheet_of(Wish("reversed", "l1"))

    policy = next(attributes for tag, attributes in sheet.tags if attributes.get("http-equiv"))["content"]
    assert policy.startswith("default-src 'none'; style-src 'unsafe-inline'")
    asked = {"src", "href", "xlink:href", "srcset", "action", "data"}
    links = [(tag, attributes) for tag, attributes in sheet.tags if asked & set(attributes)]
    assert links == [("a", {"href": f"forms/{page_name('H1')}"})]


def test_of_the_register_only_what_the_job_needs_is_on_the_sheet(order_of: Callable[[Wish], Order]) -> None:
    html = order_page(order_of(Wish("reversed", "l1")))
    for secret in (CREW, NOTE, "4711", "America/Denver"):
        assert secret not in html
    assert html.count("39.76543") == 1


def test_the_two_pictures_share_no_id(sheet_of: SheetOf) -> None:
    sheet = sheet_of(Wish("reversed", "l1"))
    ids = [attributes["id"] for _, attributes in sheet.tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    assert [tag for tag, _ in sheet.tags].count("svg") == 2


def test_the_same_order_gives_the_same_text(order_of: Callable[[Wish], Order]) -> None:
    wish = Wish("partial", "l2")
    assert order_page(order_of(wish)) == order_page(order_of(wish))
    assert not re.search(r"\d\d:\d\d:\d\d", order_page(order_of(wish)))


def test_the_truck_reads_where_to_go_and_who_to_ask_for_before_the_cautions(sheet_of: SheetOf) -> None:
    text = sheet_of(Wish("reversed", "l1", contact=ADDRESS)).text
    assert (
        f"Address {ADDRESS['address']} Customer {ADDRESS['customer']} Access {ADDRESS['access_note']}" in text
    )
    assert text.index(ADDRESS["address"]) < text.index(CAUTIONS[0])
    assert "Address" not in sheet_of(Wish("wrong_ratio", "both", contact=ADDRESS)).text  # nobody goes there


def test_a_hostile_contact_and_note_stay_text(sheet_of: SheetOf) -> None:
    visit = {"visit_id": "V1", "visited_on": date(2026, 6, 1), "found": "other", "note": HOSTILE}
    sheet = sheet_of(Wish("reversed", "l1", contact=dict.fromkeys(ADDRESS, HOSTILE), visits=(visit,)))
    assert sheet.mistakes == []
    assert sheet.text.count("<script>alert('x')</script>") == 4
    assert {tag for tag, _ in sheet.tags} & {"script", "img", "iframe"} == set()


def test_a_named_fault_has_both_likelihoods(sheet_of: SheetOf) -> None:
    assert (
        "Very likely: 93 % this fault, 94 % any fault , since 10 Jun 2026."
        in sheet_of(Wish("dead", "l1")).text
    )


def test_the_last_visits_note_is_on_the_sheet_before_the_list_of_things(sheet_of: SheetOf) -> None:
    visit = {"visit_id": "V1", "visited_on": date(2026, 6, 1), "crew_id": "C7", "found": "other", "fixed": False,
             "note": "panel cover rusted shut"}  # fmt: skip
    text = sheet_of(Wish("reversed", "l1", visits=(visit,), standing={"outcome": "other"})).text
    line = "1 Jun 2026 , C7 : found another cause; not fixed. Note: panel cover rusted shut"
    assert line in text
    assert "Open again: the last visit found another cause, but the data now point to a CT fault." in text
    assert text.index(line) < text.index("Bring")
    assert "Earlier visits" not in sheet_of(Wish("reversed", "l1")).text


def test_each_finding_is_a_box_with_its_words_and_code(sheet_of: SheetOf) -> None:
    sheet = sheet_of(Wish("reversed", "l1"))
    for code in FINDINGS:
        assert f"{fault_title(code)} {code}" in sheet.text
    boxes = [attributes for tag, attributes in sheet.tags if attributes.get("class") == "box"]
    assert len(boxes) == len(FINDINGS) + 3 + 2  # legs; fixed or not
    for words in (
        "yes true",
        "no false",
        "both legs both",
        "Electrician, name and signature",
        "Time in",
        "Time out",
    ):
        assert words in sheet.text
    assert re.search(r"visit_id V-20260614-[A-Z2-7]{8} site_id H1 visited_on", sheet.text)
    assert "Customer, name" not in sheet_of(Wish("wrong_ratio", "both")).text


def test_on_a_phone_every_cell_of_the_test_says_what_it_is(sheet_of: SheetOf) -> None:
    sheet = sheet_of(Wish("reversed", "l1"))
    labels = [attributes["data-label"] for tag, attributes in sheet.tags if "data-label" in attributes]
    assert labels[:8] == [
        "L1 right",
        "if suspected",
        "before",
        "after",
        "L2 right",
        "if suspected",
        "before",
        "after",
    ]
    assert len(labels) == 8 * 4

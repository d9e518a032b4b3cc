"""The sheet: cautions before everything, nothing of an id runs, nothing is asked of a network."""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest
from orders_example import CREW, HOSTILE, LOOKALIKE, NOTE, Wish
from sheet import Sheet

from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.types import CAUTIONS
from pipeline.workorder.order import Order
from pipeline.workorder.write import order_page

SheetOf = Callable[[Wish], Sheet]
FIRST_LEGS = [(name, fault.legs[0]) for name, fault in CATALOGUE.items()]


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
    assert [heading.split(" all in")[0].split("  ")[0] for heading in visit.headings[3:]] == [
        "Steps about 25 min on site", "Bring", "What else it could be", "By the register",
        "Prove it before leaving: the known-load test", "Until the visit, at the desk",
        "Write down one row of visits.csv",
    ]  # fmt: skip
    office = sheet_of(Wish("wrong_ratio", "both"))
    assert office.headings[1] == "Before anybody opens a panel"
    assert "The proof to wait for" in office.headings
    assert "Never ask the customer to open a panel" in office.text
    assert "known-load test" not in office.text
    assert "400 ± 8 A by the data" in office.text


@pytest.mark.parametrize("site", [HOSTILE, LOOKALIKE])
def test_a_hostile_id_stays_text(site: str, sheet_of: SheetOf) -> None:
    sheet = sheet_of(Wish("reversed", "l1", site_id=site, register={"area": site}))

    assert " ".join(site.split()) in sheet.text
    assert {tag for tag, _ in sheet.tags} & {"script", "a", "iframe", "img", "object", "form"} == set()
    assert not [name for _, attributes in sheet.tags for name in attributes if name.startswith("on")]


def test_nothing_is_asked_of_a_network(sheet_of: SheetOf) -> None:
    sheet = sheet_of(Wish("reversed", "l1"))

    policy = next(attributes for tag, attributes in sheet.tags if attributes.get("http-equiv"))["content"]
    assert policy.startswith("default-src 'none'; style-src 'unsafe-inline'")
    asked = {"src", "href", "xlink:href", "srcset", "action", "data"}
    assert [(tag, attributes) for tag, attributes in sheet.tags if asked & set(attributes)] == []


def test_no_customer_crew_or_note_is_on_the_sheet(order_of: Callable[[Wish], Order]) -> None:
    visited = {"last_visit_on": None, "found": "other"}
    html = order_page(order_of(Wish("reversed", "l1", standing=visited)))
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

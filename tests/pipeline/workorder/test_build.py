"""From a home's rows to its order: every fault, either kind, whatever of the data is missing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date

import pytest
from orders_example import ADDRESS, CREW, NOTE, Wish, home

from pipeline.core.contract import FINDINGS
from pipeline.core.settings import Settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.fault_text import fault_title
from pipeline.faults.types import CAUTIONS, Fault
from pipeline.worklist.earlier_visits import PastVisit
from pipeline.workorder.build import build_order, register_facts
from pipeline.workorder.order import Order
from pipeline.workorder.tables import REGISTER

OrderOf = Callable[[Wish], Order]
EVERY = [(name, leg) for name, fault in CATALOGUE.items() for leg in fault.legs_of(2)]


@pytest.mark.parametrize(("name", "leg"), EVERY)
def test_every_fault_on_every_leg_has_a_whole_order(name: str, leg: str, order_of: OrderOf) -> None:
    order = order_of(Wish(name, leg))

    assert order.kind == CATALOGUE[name].remedy.fix_by
    assert order.cautions[: len(CAUTIONS)] == CAUTIONS
    assert order.suspicion.startswith(fault_title(name))
    assert order.how_likely == "very likely: 93 % this fault, 94 % any fault"
    assert order.since == "since 10 Jun 2026"
    assert len(order.pictures) == 2
    assert order.others
    assert all(other.test.endswith(".") for other in order.others)
    assert order.record.findings[0].code == name
    assert sorted(finding.code for finding in order.record.findings) == sorted(FINDINGS)
    if order.kind == "visit":
        assert order.bring
        assert CATALOGUE[name].remedy.action.split(",")[0] in " ".join(order.steps)
        assert [row.right["L1"] for row in order.expectations] == [
            "+1\u202f500 ± 150",
            "0 ± 50",
            "−1\u202f000 ± 100",
        ]
        assert [row.right["L2"] for row in order.expectations] == [
            "0 ± 50",
            "+1\u202f500 ± 150",
            "−1\u202f000 ± 100",
        ]
    else:
        assert order.desk is not None
        assert order.desk.changes
        assert order.desk.verifications
        assert order.expectations == ()


def test_a_turned_clamp_is_text_by_sign_and_size_on_its_own_channel(order_of: OrderOf) -> None:
    order = order_of(Wish("reversed", "l1", signal={"slope_l1": 0.5}))

    on_l1, on_l2, sun = (row.now for row in order.expectations)
    assert (on_l1["L1"], on_l1["L2"]) == ("−1\u202f500", "0")
    assert (on_l2["L1"], on_l2["L2"]) == ("0", "+1\u202f500")
    assert (sun["L1"], sun["L2"]) == ("+1\u202f000", "−1\u202f000")
    assert order.channels == ("L1", "L2")


def test_a_crossed_pair_and_two_turned_clamps_are_text_apart_by_the_known_load(order_of: OrderOf) -> None:
    shares = {"legs_crossed": 0.6, "reversed": 0.38, "sound": 0.02}
    order = order_of(Wish("legs_crossed", "both", score={"fault_likelihoods": shares}))

    twin = order.others[0]
    assert (twin.name, twin.share) == ("CT reversed", 0.38)
    assert twin.test == (
        "With 1\u202f500 W on an outlet of L1, solar off: L1 moves by −1\u202f500 W (suspected: 0 W)."
    )
    assert order.others[1].name == "nothing wrong"
    assert order.others[1].test.endswith("Then change nothing.")


def test_production_has_a_column_where_the_suspicion_says_that_it_moves(order_of: OrderOf) -> None:
    order = order_of(Wish("swapped_with_pv", "l1", signal={"slope_l1": None, "slope_l1_se": None}))
    assert order.channels == ("L1", "L2", "production")
    assert order.expectations[0].now["production"] == "+3\u202f000"


def test_at_the_loads_the_sun_moves_nothing(order_of: OrderOf) -> None:
    order = order_of(Wish("dead", "l2", register={"ct_sees_pv": False}))
    assert order.expectations[2].right == {"L1": "0 ± 50", "L2": "0 ± 50", "production": "+2\u202f000 ± 200"}
    assert "passes through the CT" in order.known_load


def test_a_fault_that_a_known_load_cannot_show_says_so(order_of: OrderOf) -> None:
    assert "can't show this fault" in order_of(Wish("intermittent", "l2")).steps[1]
    assert "can't show this fault" not in order_of(Wish("dead", "l2", signal={"slope_l2": 0.0})).steps[1]


def test_a_single_service_has_one_leg_everywhere(order_of: OrderOf) -> None:
    order = order_of(Wish("reversed", "l1", service="single", register={"ct_amps": None}))

    assert [row.switch for row in order.expectations] == [
        "1\u202f500 W on an outlet of L1, solar off",
        "solar on, at 2\u202f000 W",
    ]
    assert order.channels == ("L1",)
    assert order.expectations[1].right["L1"] == "−2\u202f000 ± 200"
    assert order.record.legs == (("l1", "L1"),)
    assert "rating not in the site record" in " ".join(order.bring)


def test_without_sun_meter_volts_or_hours_the_order_still_stands(order_of: OrderOf) -> None:
    bare = dict.fromkeys(REGISTER)
    blind = {name: None for leg in ("l1", "l2") for name in (f"slope_{leg}", f"slope_{leg}_se")}
    order = order_of(
        Wish("dead", "l1", register=bare | {"service": "120/240"}, score=blind, signal=blind, has_hours=False)
    )
    assert [row.switch[-9:] for row in order.expectations] == ["solar off", "solar off"]
    assert [picture.title for picture in order.pictures] == [
        "Overnight baseload",
        "Slope on PV, day by day",
    ]
    assert order.facts == (("Service", "120/240 V"),)


def test_the_register_rating_and_pair_reach_the_list_of_things(order_of: OrderOf) -> None:
    things = " ".join(order_of(Wish("reversed", "l2")).bring)
    assert "2 × spare CT, 200 A" in things
    assert "8 × insulation-displacement connector" in things
    assert "2 × twisted-pair lead" in things
    assert "proving unit" in things
    assert things.count("known load") == 1
    assert order_of(Wish("pickup_noise", "l2")).bring[0] == "2 × twisted-pair lead for the whole run"


def test_only_the_columns_that_the_job_needs_are_text(order_of: OrderOf) -> None:
    order = order_of(Wish("reversed", "l1"))
    assert [name for name, _ in order.facts] == [
        "Area", "Place", "Service", "PV", "Battery", "CTs at", "Position", "CT rating", "CTs a leg",
        "Leads extended", "Commissioned",
    ]  # fmt: skip
    assert dict(order.facts)["Place"] == "39.76543, -104.98765"
    text = repr(order)
    assert CREW not in text
    assert NOTE not in text
    assert "has_ev" not in text


def test_the_desk_needs_no_place(order_of: OrderOf) -> None:
    assert "39.76543" not in repr(order_of(Wish("wrong_ratio", "both")))
    register = home(Wish("wrong_ratio", "both")).register
    assert ("Place", "39.76543, -104.98765") in register_facts(register, with_place=True)


def test_a_suspected_loose_neutral_is_a_safety_call(order_of: OrderOf) -> None:
    order = order_of(Wish("wrong_scope", "both", score={"verdict": "safety"}))
    assert order.safety_calls[0].startswith("SAFETY CALL FIRST")
    assert order_of(Wish("wrong_scope", "both")).safety_calls == ()


def test_doubts_and_the_home_sharpen_the_cautions(order_of: OrderOf) -> None:
    order = order_of(
        Wish(
            "reversed", "l1", register={"ct_location": "service_entrance", "has_battery": True},
            score={"is_clock_suspect": True, "clock_offset_h": 6.0, "verdict": "unproven", "unproven_why": "3 nights"},
        )
    )  # fmt: skip
    assert "live with the main breaker off" in order.cautions[-2]
    assert "battery" in order.cautions[-1]
    assert order.doubts == (
        "The monitor's clock looks off by about +6.0 h: what is called night may not be night. Check its time first.",
        "Unproven: 3 nights.",
    )


def test_earlier_visits_stand_with_note_outcome_and_why_the_home_is_open_again(order_of: OrderOf) -> None:
    visits = tuple(
        {"visit_id": f"V{day}", "visited_on": date(2026, 6, day), "crew_id": "C7", "found": "legs_crossed",
         "leg": "both", "fixed": day == 5, "note": f"panel cover rusted shut\non day {day}"}
        for day in (1, 2, 3, 4, 5)
    )  # fmt: skip
    standing = {"outcome": "fixed", "proof_told": "9 nights since the visit"}
    order = order_of(Wish("reversed", "l1", visits=visits, standing=standing))

    newest, before, _ = order.earlier.visits
    assert order.earlier.more == 2
    assert newest == PastVisit(
        date(2026, 6, 5), "C7", "CTs on each other's legs, both legs", "recorded as fixed",
        "panel cover rusted shut on day 5",
    )  # fmt: skip
    assert before.outcome == "not fixed"
    assert order.earlier.why_open == (
        "the last visit is recorded as fixed, but the data since then still show a fault"
    )
    assert order.since_visit == "9 nights since the visit"


def test_contact_is_the_site_record_on_a_line_each(order_of: OrderOf) -> None:
    contact = order_of(
        Wish("reversed", "l1", contact=ADDRESS | {"access_note": "gate\n4711 " + "x" * 200})
    ).contact
    assert (contact.address, contact.customer) == (ADDRESS["address"], ADDRESS["customer"])
    assert contact.access_note is not None
    assert contact.access_note.startswith("gate 4711 x")
    assert len(contact.access_note) == 120
    assert not any(order_of(Wish("reversed", "l1")).contact)


def test_steps_are_commands_and_the_set_back_comes_before_the_last_test(order_of: OrderOf) -> None:
    steps = order_of(Wish("reversed", "l1")).steps
    assert [step.split()[0] for step in steps] == [
        "Leave",
        "Leave",
        "Make",
        "Turn",
        "Call",
        "Close",
        "Record",
    ]
    assert "set back" in steps[4]
    assert not any("set back" in step for step in order_of(Wish("dead", "l1")).steps)


def test_a_fault_added_as_one_file_has_its_order(settings: Settings) -> None:
    """Nothing of pipeline/workorder knows its name: effect, remedy and cautions speak for it."""
    dead = CATALOGUE["dead"]
    action, prove = "Replace the board.", "The channel follows a known load."
    remedy = replace(dead.remedy, action=action, prove=prove, bring=("input board",), minutes=35)
    burnt: Fault = replace(
        dead,
        name="burnt_input",
        title="burnt input",
        remedy=remedy,
        cautions=("Wait a minute.",),
        story="An input is burnt.",
    )
    catalogue = {**CATALOGUE, "burnt_input": burnt}
    example = home(Wish("dead", "l1"))
    listed = example.listed | {"suspected_fault": "burnt_input"}

    order = build_order(replace(example, listed=listed), catalogue, settings)
    assert order.suspicion == "burnt input, L1"
    assert order.bring[0] == "input board"
    assert action in order.steps
    assert order.prove == prove
    assert "Wait a minute." in order.cautions
    assert order.expectations[0].now["L1"] == "0"

    desk = replace(burnt, remedy=replace(remedy, fix_by="office"))
    office = replace(example, listed=listed | {"fix_by": "office"})
    text = build_order(office, {**catalogue, "burnt_input": desk}, settings)
    assert text.kind == "office"
    assert text.desk is not None
    assert text.desk.changes[0].why == action
    assert text.desk.verifications[0].number == prove

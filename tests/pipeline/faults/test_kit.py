"""A kit has what makes the work safe and what the fault asks for; a truck carries its orders' kits, parts added up."""

import pytest

from pipeline.core.contract import Site
from pipeline.core.settings import load_settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.kit import STANDARD_KIT, Item, kit_text, order_kit, truck_load

ORDERS = load_settings().orders
REGISTER = dict.fromkeys(Site.columns()) | {"ct_amps": 200.0, "cts_per_leg": 1.0, "service": "120/240"}
VISITS = [name for name, fault in CATALOGUE.items() if fault.remedy.fix_by == "visit"]
SAFETY = (
    "voltage tester",
    "proving unit",
    "lockout/tagout kit",
    "protective equipment",
    "insulated hand tools",
)


def kit(fault: str, leg: str | None = "l1", **register: object) -> tuple[Item, ...]:
    return order_kit(CATALOGUE[fault], leg, REGISTER | register, settings=ORDERS)


def quantity(items: tuple[Item, ...], start: str) -> int | None:
    (item,) = (item for item in items if item.name.startswith(start))
    return item.quantity


@pytest.mark.parametrize("fault", VISITS)
@pytest.mark.parametrize("known", [True, False])
def test_every_visit_has_the_safety_gear_and_the_means_to_prove_a_fix(fault: str, known: bool) -> None:
    unknown = dict.fromkeys(("ct_amps", "cts_per_leg", "lead_extended", "service"))
    names = [item.name for item in kit(fault, **({} if known else unknown))]
    for thing in (*SAFETY, "clamp meter", "known load of about 1.5 kW", "spare CT", "tool for insulation"):
        assert sum(thing in name for name in names) == 1 + (thing == "voltage tester"), thing
    assert len(names) == len(set(names))
    assert any("200 A" in name for name in names) == known
    assert any("rating not in the site record" in name for name in names) != known


@pytest.mark.parametrize("fault", VISITS)
def test_whatever_a_remedy_names_is_asked_for_first(fault: str) -> None:
    asked = [item.is_for_fault for item in kit(fault)]
    assert asked[0]
    assert asked == sorted(asked, reverse=True)


def test_a_remote_fix_needs_nothing() -> None:
    office = next(name for name, fault in CATALOGUE.items() if fault.remedy.fix_by == "office")
    assert kit(office) == ()
    assert kit_text(kit(office)) == ""


def test_as_many_cts_as_the_suspected_legs_have() -> None:
    assert quantity(kit("dead", "l1"), "spare CT") == 1
    assert quantity(kit("dead", "both"), "spare CT") == 2
    assert quantity(kit("dead", "both", cts_per_leg=2.0), "spare CT") == 4
    assert quantity(kit("dead", "both", service="single"), "spare CT") == 1
    assert quantity(kit("dead", "l1+l3", service="230/400"), "spare CT") == 2
    assert quantity(kit("dead", "l1+l2+l3", service="230/400", cts_per_leg=2.0), "spare CT") == 6
    assert (
        quantity(kit("dead", "l1+l2+l3", service=None), "spare CT") == 3
    )  # by its readings, not by its record
    assert quantity(kit("dead", "both", service="230/400"), "spare CT") == 2  # a third line without readings
    assert quantity(kit("reversed", "both"), "spare CT") == 1  # in case: turning one takes none
    assert quantity(kit("dead", "both"), "insulation-displacement connector") == 8


def test_a_lead_comes_along_where_the_fault_or_the_record_asks_for_it() -> None:
    def has_lead(items: tuple[Item, ...]) -> bool:
        return any("twisted-pair lead" in item.name for item in items)

    assert has_lead(kit("pickup_noise"))
    assert not has_lead(kit("reversed"))
    assert has_lead(kit("reversed", lead_extended=True))


def test_a_kit_in_a_line() -> None:
    assert kit_text(kit("dead")) == (
        f"spare CT, 200 A; 4 × insulation-displacement connector; multimeter; {STANDARD_KIT}"
    )
    assert kit_text(kit("opposed_pair")) == STANDARD_KIT  # a clamp meter and a known load are in it


def test_parts_add_up_and_tools_are_carried_once() -> None:
    kits = {1: kit("dead"), 2: kit("dead", "both"), 3: kit("reversed", ct_amps=100.0)}
    load = {loaded.item.name: loaded for loaded in truck_load(kits)}
    assert load["spare CT, 200 A"].item.text == "3 × spare CT, 200 A"
    assert load["spare CT, 200 A"].stops == (1, 2)
    assert load["spare CT, 100 A"].stops == (3,)
    assert load["insulation-displacement connector"].item.quantity == 4 + 8 + 4
    assert load["clamp meter"].item.quantity is None
    assert load["clamp meter"].stops == (1, 2, 3)


def test_everything_of_every_kit_is_on_the_truck() -> None:
    kits = {stop: kit(fault, "both") for stop, fault in enumerate(VISITS, start=1)}
    load = {loaded.item.name: loaded for loaded in truck_load(kits)}
    needed: dict[str, int] = {}
    for stop, items in kits.items():
        for item in items:
            assert stop in load[item.name].stops
            needed[item.name] = needed.get(item.name, 0) + (item.quantity or 0)
    assert {name: loaded.item.quantity or 0 for name, loaded in load.items()} == needed


@pytest.mark.parametrize(
    ("service", "rating"),
    [
        ("120/240", 300), ("120/208", 300), ("120/208 three-phase", 300), ("single", 300), ("230", 300),
        ("230/400", 600), (None, 600),
    ],
)  # fmt: skip
def test_the_voltage_tester_suits_the_service(service: str | None, rating: int) -> None:
    assert f"voltage tester rated CAT IV, {rating} V or more" in [
        item.name for item in kit("dead", service=service)
    ]


def test_a_truck_takes_the_tester_that_suits_all_its_stops_and_no_other() -> None:
    load = truck_load(
        {1: kit("dead"), 2: kit("same_leg", "l1", service="230/400"), 3: kit("dead", service="230")}
    )
    names = [loaded.item.name for loaded in load]
    (tester,) = (loaded for loaded in load if "tester rated" in loaded.item.name)
    assert tester.item.text == "voltage tester rated CAT IV, 600 V or more"
    assert tester.stops == (1, 2, 3)
    assert tester.item.is_for_fault
    first_tool = next(loaded for loaded in load if loaded.item.quantity is None)
    assert first_tool == tester
    assert len(names) == len(set(names))

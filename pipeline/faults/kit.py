"""What to load: the kit of one visit, and the load of a truck that makes several.

Orders, the list, the truck's page and the terminal all take it from here, so that a truck carries whatever its
orders ask for.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from pipeline.core.line_words import line_count_of
from pipeline.core.services import BOTH, SERVICES
from pipeline.core.setting_sections import OrderSettings
from pipeline.faults.types import Fault

STANDARD_KIT = "standard test and safety kit"
_CONNECTORS_PER_CT = 4  # two conductors a lead, each made once and remade once
_TESTER = "voltage tester rated CAT IV, 300 V or more"
# Between two lines of a 230/400 V service are 400 V; it also comes where nobody knows the service.
_TESTER_400 = "voltage tester rated CAT IV, 600 V or more"
_BOTH_TESTERS = (_TESTER, _TESTER_400)
_LOW_V = 150.0  # volts to neutral up to which no two lines have more than 300 V between them
# The standard kit's tools, what keeps people safe first.
_TOOLS: Mapping[str, str] = {
    "voltage_tester": _TESTER,
    "proving_unit": "proving unit for the voltage tester",
    "lockout": "lockout/tagout kit",
    "protection": "shock and arc-flash protective equipment (insulating gloves, eye protection, hard hat)",
    "insulated_tools": "insulated hand tools",
    "clamp_meter": "clamp meter",
    "connector_tool": "tool for insulation-displacement connectors",
}
# Of what only a fault's remedy names, these are carried once; anything else is a part that stays at the home.
_CARRIED_ONCE = re.compile(r"\b(screwdriver|multimeter|meter|tester|tool|markers|cloth)\b")
# What a remedy may call a thing of the standard kit; the parts are counted.
_COVERED: Mapping[str, re.Pattern[str]] = {
    "ct": re.compile(r"^(spare )?CTs?\b"),
    "connector": re.compile(r"splice|connector"),
    "connector_tool": re.compile(r"(splices?|connectors?) and tool|connector tool"),
    "twisted_pair": re.compile(r"twisted"),
    "voltage_tester": re.compile(r"voltage tester"),
    "proving_unit": re.compile(r"proving unit"),
    "clamp_meter": re.compile(r"clamp meter"),
    "known_load": re.compile(r"known load|heater"),
}


class Item(NamedTuple):
    """A thing to bring: how many of a part (None: a tool, carried once).

    `is_for_fault`: the fault's remedy asks for it; `is_standard`: it comes to every home, whatever is suspected.
    """

    name: str
    quantity: int | None = None
    is_for_fault: bool = False
    is_standard: bool = False

    @property
    def text(self) -> str:
        """The thing with its count: "2 × spare CT, 200 A"."""
        return self.name if (self.quantity or 1) == 1 else f"{self.quantity} × {self.name}"


class LoadItem(NamedTuple):
    """A thing on a truck, its count over all stops, and the numbers of the stops that need it."""

    item: Item
    stops: tuple[int, ...]


def order_kit(
    fault: Fault, leg: str | None, register: Mapping[str, Any], *, settings: OrderSettings
) -> tuple[Item, ...]:
    """Return what a visit to one home needs, what the fault's remedy asks for first; nothing for a remote fix.

    Parameters
    ----------
    fault, leg
        What is suspected, and where (a code of pipeline.core.services, or None).
    register
        The home's site record: ct_amps [A], cts_per_leg, lead_extended, service; any of them may be None.
    settings
        [orders], for the known load [W].
    """
    if fault.remedy.fix_by == "office":
        return ()
    standard = _standard_kit(fault, leg, register, settings)
    items: dict[str, Item] = {}
    for thing in fault.remedy.bring:
        covered = [standard[key] for key, pattern in _COVERED.items() if pattern.search(thing)]
        for item in covered or [Item(thing, None if _CARRIED_ONCE.search(thing) else 1)]:
            items[item.name] = item._replace(is_for_fault=True)
    rest = (item for item in standard.values() if item.name not in items)
    return (*items.values(), *rest)


def beyond_standard(kit: Iterable[Item]) -> tuple[str, ...]:
    """Return what the fault asks for beyond the standard tools: its parts with their quantities, its own tools."""
    return tuple(
        item.text for item in kit if item.is_for_fault and (item.quantity is not None or not item.is_standard)
    )


def kit_text(kit: Iterable[Item]) -> str:
    """Return a kit in a line: what goes beyond the standard kit, then that by its name; "" without any."""
    items = tuple(kit)
    return "; ".join([*beyond_standard(items), STANDARD_KIT]) if items else ""


def truck_load(kits: Mapping[int, Iterable[Item]]) -> tuple[LoadItem, ...]:
    """Return what all of a truck's stops need: parts add up, tools are there once.

    Parts come first, those of most stops before others, then the standard tools in their order, then all others.

    `kits` has the kit of each stop by its number.
    """
    load: dict[str, LoadItem] = {}
    for stop, kit in kits.items():
        for item in kit:
            before = load.get(item.name)
            quantity = (
                item.quantity
                if before is None or item.quantity is None
                else item.quantity + (before.item.quantity or 0)
            )
            stops = (*(before.stops if before else ()), stop)
            is_for_fault = item.is_for_fault or (before is not None and before.item.is_for_fault)
            load[item.name] = LoadItem(Item(item.name, quantity, is_for_fault), stops)
    load = _with_one_tester(load)
    tools = [_TESTER_400, *_TOOLS.values()]

    def order(loaded: LoadItem) -> tuple[bool, int, int]:
        item = loaded.item
        place = tools.index(item.name) if item.name in tools else len(tools) + (not item.is_standard)
        return item.quantity is None, place if item.quantity is None else 0, -len(loaded.stops)

    return tuple(sorted(load.values(), key=order))


def _with_one_tester(load: Mapping[str, LoadItem]) -> dict[str, LoadItem]:
    """Return the load with the higher rated voltage tester alone where stops ask for both."""
    if not all(name in load for name in _BOTH_TESTERS):
        return dict(load)
    low, high = (load[name] for name in _BOTH_TESTERS)
    is_for_fault = low.item.is_for_fault or high.item.is_for_fault
    one = LoadItem(high.item._replace(is_for_fault=is_for_fault), tuple(sorted({*low.stops, *high.stops})))
    return {name: item for name, item in load.items() if name != _TESTER} | {_TESTER_400: one}


def _sets(leg: str | None, service: str | None) -> int:
    """Return how many lines' CTs a leg means; "both" is what is written of two lines, never of three."""
    if leg == BOTH:
        return min(2, line_count_of(service))
    return len((leg or "l1").split("+"))


def _tester(service: str | None) -> str:
    if service not in SERVICES:
        return _TESTER_400
    known = SERVICES[service]
    return _TESTER_400 if known.line_count > 1 and known.volts > _LOW_V else _TESTER


def _standard_kit(
    fault: Fault, leg: str | None, register: Mapping[str, Any], settings: OrderSettings
) -> dict[str, Item]:
    """Return what comes to every home, by key; safety first. A lead only where the fault or the record asks for it."""
    per_leg = max(1, round(register["cts_per_leg"] or 1))
    replaces_cts = any(_COVERED["ct"].search(thing) for thing in fault.remedy.bring)
    cts = per_leg * (_sets(leg, register["service"]) if replaces_cts else 1)
    amps = register["ct_amps"]
    rating = "rating not in the site record, read it off the CTs" if amps is None else f"{amps:g} A"
    needs_lead = register["lead_extended"] or any(
        _COVERED["twisted_pair"].search(thing) for thing in fault.remedy.bring
    )
    tools = {key: Item(name) for key, name in _TOOLS.items()} | {
        "voltage_tester": Item(_tester(register["service"]))
    }
    known_load = f"known load of about {settings.known_load_w / 1000:g} kW without a motor"
    items = {
        **tools,
        "known_load": Item(known_load),
        "ct": Item(f"spare CT, {rating}", cts),
        "connector": Item("insulation-displacement connector", cts * _CONNECTORS_PER_CT),
        **({"twisted_pair": Item("twisted-pair lead for the whole run", cts)} if needs_lead else {}),
    }
    return {key: item._replace(is_standard=True) for key, item in items.items()}

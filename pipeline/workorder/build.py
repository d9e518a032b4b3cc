"""One home's rows of the night's tables -> its order: a pure function, no file, no clock."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pipeline.core.glossary import LOCATIONS, POSITIONS, PV_ON, SERVICES
from pipeline.core.line_words import line_count_of, line_words
from pipeline.core.percent_text import percent
from pipeline.core.settings import Settings
from pipeline.faults.kit import order_kit
from pipeline.faults.types import Fault
from pipeline.report import words
from pipeline.report.wiring_panel import wiring_panel
from pipeline.worklist.earlier_visits import one_line
from pipeline.workorder import cautions, steps
from pipeline.workorder.expectations import known_load_test
from pipeline.workorder.office import desk_fix
from pipeline.workorder.order import Case, Contact, Order
from pipeline.workorder.pictures import pictures
from pipeline.workorder.tables import Home
from pipeline.workorder.visit_record import visit_record
from pipeline.workorder.wiring_key import WiringKey, wiring_key

_MOST_WIRINGS = 3  # on a sheet
_LONGEST_CONTACT = 120  # characters of an address or an access note that fit on the sheet


def build_order(home: Home, catalogue: Mapping[str, Fault], settings: Settings) -> Order:
    """Return the order of one listed home: a remote fix where a setting or the site record is wrong.

    Raises
    ------
    KeyError
        The list names a fault that the catalogue doesn't have.
    """
    listed = home.listed
    case = Case.of(home, catalogue)
    fault = case.fault
    is_office = listed["fix_by"] == "office"
    desk = desk_fix(case, settings)
    share = (home.score["fault_likelihoods"] or {}).get(fault.name)
    test = known_load_test(case, catalogue, settings.orders)
    return Order(
        site_id=home.site_id,
        as_of=home.as_of,
        kind="office" if is_office else "visit",
        suspicion=words.suspicion(
            fault.name, None if case.install.is_summed else case.leg, line_count=len(case.install.lines)
        ),
        how_likely=f"{likelihood_word(share or 0.0, settings.orders.likelihood_words)}:"
        f" {words.likelihoods(share, listed['likelihood'])}",
        since=words.since(listed["since"]),
        contact=contact_of(home.contact),
        safety_calls=cautions.safety_calls(case),
        cautions=cautions.cautions(case),
        doubts=cautions.doubts(case),
        story=case.retell(fault.story),
        evidence=listed["evidence"] or "",
        wirings=_wirings(home),
        facts=register_facts(home.register, with_place=not is_office),
        others=test.others,
        looks_like=case.retell(fault.looks_like),
        bring=tuple(
            item.text for item in order_kit(fault, case.leg, home.register, settings=settings.orders)
        ),
        minutes=int(listed["minutes_on_site"]),
        steps=steps.desk_steps(desk)
        if is_office and desk is not None
        else steps.visit_steps(case, desk, test.is_silent),
        expectations=() if is_office else test.rows,
        channels=() if is_office else test.channels,
        known_load="" if is_office else steps.known_load_note(case),
        key=WiringKey() if is_office else wiring_key(case.install, settings.orders),
        prove=case.retell(fault.remedy.prove),
        desk=desk,
        record=visit_record(
            home.site_id, home.visit_id, fault.name, install=case.install, catalogue=catalogue
        ),
        earlier=home.earlier,
        since_visit=home.standing.get("proof_told"),
        commissioned_on=home.register["commissioned_on"],
        pictures=pictures(case, settings.report),
    )


def register_facts(register: Mapping[str, Any], *, with_place: bool) -> tuple[tuple[str, str], ...]:
    """Return (name, value) of what the site record says that the job needs; what is empty is left out.

    Coordinates are plain text, never a link: a sheet asks no map service about a customer.
    """
    latitude, longitude, service = register["latitude"], register["longitude"], register["service"]
    is_placed = with_place and latitude is not None and longitude is not None
    amps = words.fill(", {:g} A", register["service_amps"]) or ""
    facts = [
        ("Area", register["area"]),
        ("Place", f"{latitude:.5f}, {longitude:.5f}" if is_placed else None),
        ("Service", f"{SERVICES[service]}{amps}" if service else None),
        ("PV", words.fill("{:g} kW AC", register["pv_kw"])),
        ("PV feeds", PV_ON[register["pv_on"]] if register.get("pv_on") else None),
        ("Battery", words.yes_no(register["has_battery"])),
        ("CTs at", LOCATIONS[register["ct_location"]] if register["ct_location"] else None),
        ("Position", POSITIONS.get(register["ct_sees_pv"])),  # type: ignore[arg-type]
        ("CT rating", words.fill("{:g} A", register["ct_amps"])),
        (f"CTs a {line_words(line_count_of(service)).one}", words.fill("{:g}", register["cts_per_leg"])),
        ("Source reports", "one total of all lines" if register.get("lines_summed") else None),
        ("Leads extended", words.yes_no(register["lead_extended"])),
        ("Source adds PV back", "yes" if register["pv_added_back"] else None),
        ("Commissioned", words.day(register["commissioned_on"]) if register["commissioned_on"] else None),
    ]
    return tuple((name, value) for name, value in facts if value is not None)


def _wirings(home: Home) -> tuple[str, ...]:
    """Return the likeliest wirings of the three CTs, each with its likelihood, and what tells the first two apart.

    Nothing for a home of one or two lines.
    """
    panel = wiring_panel(home.wirings, home.site_id)
    if panel is None:
        return ()
    rows = panel["rows"][:_MOST_WIRINGS]
    look_at = (f"To tell the first two apart: {panel['look_at']}.",) if panel["look_at"] and rows[1:] else ()
    return (*(f"{percent(row['likelihood'])}: {' '.join(row['parts'])}" for row in rows), *look_at)


def contact_of(contact: Mapping[str, Any]) -> Contact:
    """Return where to go, who to ask for and how to get in, each on a line."""
    parts = {name: one_line(contact.get(name), _LONGEST_CONTACT) for name in Contact._fields}
    return Contact(**parts)


def likelihood_word(share: float, scale: Mapping[str, float]) -> str:
    """Return a likelihood in words, by the shares from which each word holds."""
    ordered = sorted(scale.items(), key=lambda pair: -pair[1])
    return next((word for word, least in ordered if share >= least), ordered[-1][0])

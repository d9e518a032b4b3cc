"""One home's rows of the night's tables -> its order: a pure function, no file, no clock."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from pipeline.core.settings import Settings
from pipeline.faults.types import Fault
from pipeline.report import fault_cards, words
from pipeline.report.home_page import since_words
from pipeline.workorder import cautions, expectations, steps
from pipeline.workorder.bring import things
from pipeline.workorder.install import Install
from pipeline.workorder.office import desk_fix
from pipeline.workorder.order import Case, Order
from pipeline.workorder.pictures import pictures
from pipeline.workorder.record import visit_fields
from pipeline.workorder.say import likely
from pipeline.workorder.tables import Home

_OUTCOMES = {"fixed": ", said to be put right", "open": ", left as it was"}
_POSITIONS = {True: "upstream of the solar tie-in", False: "around the loads only"}


def build_order(home: Home, as_of: date, catalogue: Mapping[str, Fault], settings: Settings) -> Order:
    """Return the order of one listed home: an office order where the suspected fault is fixed at the desk.

    Raises
    ------
    KeyError
        The list names a fault that the catalogue doesn't have.
    """
    own, listed, score = settings.orders, home.listed, home.score
    fault = catalogue[listed["suspected_fault"]]
    case = Case(home, fault, listed["leg"], Install.of(home.register, score))
    is_office = listed["fix_by"] == "office"
    desk = desk_fix(case, settings)
    likelihood = float(listed["likelihood"])
    share = (score["fault_likelihoods"] or {}).get(fault.name)
    where = words.leg(case.leg)
    silent = expectations.is_silent(case, own)
    rows = expectations.expectations(case, own)
    name = fault.name.replace("_", " ")
    return Order(
        site_id=home.site_id,
        as_of=as_of,
        kind="office" if is_office else "visit",
        suspicion=f"{name}, {where}" if where else name,
        likelihood=likelihood,
        how_likely=f"{likely(likelihood, own.likelihood_words)} ({words.percent(likelihood)})",
        share=share,
        since=since_words(listed),
        stops=cautions.stops(case),
        cautions=cautions.cautions(case),
        doubts=cautions.doubts(case),
        story=fault_cards.words(fault.story),
        evidence=listed["evidence"] or "",
        facts=register_facts(home.register, with_place=not is_office),
        others=expectations.others(case, catalogue, own),
        looks_like=fault_cards.words(fault.looks_like),
        bring=() if is_office else things(fault, home.register, own),
        minutes=int(listed["minutes_on_site"]),
        steps=steps.desk_steps(desk) if is_office and desk else steps.visit_steps(case.fault, desk, silent),
        expectations=() if is_office else rows,
        channels=() if is_office else expectations.worth_a_column(rows, case),
        known_load="" if is_office else steps.known_load(case, own),
        prove=fault_cards.words(fault.remedy.prove),
        desk=desk,
        record=visit_fields(case),
        before=earlier_visit(home.standing),
        pictures=pictures(case, settings.report),
    )


def register_facts(register: Mapping[str, Any], *, with_place: bool) -> tuple[tuple[str, str], ...]:
    """Return (name, value) of what the register says that the job needs; what is empty is left out.

    Coordinates are plain text, never a link: a sheet asks no map service about a customer.
    """

    def told(column: str, text: str) -> str | None:
        return None if register[column] is None else text.format(register[column])

    latitude, longitude = register["latitude"], register["longitude"]
    is_placed = with_place and latitude is not None and longitude is not None
    service = register["service"]
    amps = told("service_amps", ", {:g} A") or ""
    facts = [
        ("Area", register["area"]),
        ("Place", f"{latitude:.5f}, {longitude:.5f}" if is_placed else None),
        ("Service", f"{'single leg' if service == 'single' else f'{service} V'}{amps}" if service else None),
        ("PV", told("pv_kw", "{:g} kW AC")),
        ("Battery", {True: "yes", False: "no"}.get(register["has_battery"])),  # type: ignore[call-overload]
        ("CTs at", words.plain(register["ct_location"]) if register["ct_location"] else None),
        ("Position", _POSITIONS.get(register["ct_sees_pv"])),  # type: ignore[arg-type]
        ("CT rating", told("ct_amps", "{:g} A")),
        ("CTs a leg", told("cts_per_leg", "{:g}")),
        ("Leads extended", {True: "yes", False: "no"}.get(register["lead_extended"])),  # type: ignore[call-overload]
        ("Source adds PV back", "yes" if register["pv_added_back"] else None),
        ("Commissioned", words.day(register["commissioned_on"]) if register["commissioned_on"] else None),
    ]
    return tuple((name, value) for name, value in facts if value is not None)


def earlier_visit(standing: Mapping[str, Any]) -> str | None:
    """Return what came of the last visit, without its note (which may name people); None without one."""
    visited_on = standing.get("last_visit_on")
    if visited_on is None:
        return None
    found, leg = standing.get("found"), words.leg(standing.get("found_leg"))
    told = f"Visited {words.day(visited_on)}: found {words.plain(found) if found else 'nothing written down'}"
    told += (f", {leg}" if leg else "") + _OUTCOMES.get(standing.get("outcome") or "", "")
    proof = standing.get("proof_told")
    return f"{told}. Since then: {proof}." if proof else f"{told}."

"""The sample lake of homes with three lines: every fault once or twice, oddities, sound homes, other services."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

from pipeline.core.errors import InputError
from pipeline.core.services import THREE_LINE_SERVICES, lines_of, service_of
from pipeline.faults.catalogue import CATALOGUE
from pipeline.simulate.fleet import simulate_home
from pipeline.simulate.lake import Rows, write_registers, write_shard
from pipeline.simulate.sample import CREWS, LAST_DAY, PLAIN, sample_contact
from pipeline.simulate.spec import FleetSpec, Wish

ODD = ("battery_export", "clock_offset", "vacant", "loose_neutral", "ev_all_night", "single_leg_inverter")
# and one whose source exports the sum of its lines
OTHERS = ("230", "230", "120/240", "120/208")  # homes of other services in the same lake
SOUND_HOMES = 22
ONSET_DAY = 12  # of every fifth fault
_TOWNS = {"230/400": ("Europe/Berlin", 51.0, 10.0), "120/208 three-phase": ("America/Denver", 39.7, -105.1)}
VISITED_DAYS_AGO = (19, 61, 143)  # of the first sound homes, where nothing was found


def write_sample_of(service: str, out: Path) -> None:
    """Write the sample lake of this service with three lines, and its truth.csv, into `out`; always the same bytes.

    Raises
    ------
    InputError
        The service has not three lines.
    """
    if service not in THREE_LINE_SERVICES:
        raise InputError(
            f"no sample lake of {service}: choose one of {', '.join(THREE_LINE_SERVICES)}, or none for 120/240"
        )
    wishes = list(_wishes(service))
    spec = FleetSpec(
        sites=len(wishes), days=28, minutes=15, seed=21, end=LAST_DAY, fault_share=0.0, hard_share=0.0,
        plain_share=0.0, register_gap_share=0.0, areas=4, service=service, turned_share=0.4,
    )  # fmt: skip
    out.mkdir(parents=True, exist_ok=True)
    records = (simulate_home(spec, number, wish) for number, wish in enumerate(wishes))
    sites, truths, _ = write_shard(records, out, 0)
    sound = [number for number, wish in enumerate(wishes) if not wish.fault and not wish.hard]
    visits: Rows = [
        {
            "visit_id": f"V{count:04d}", "site_id": sites[number]["site_id"],
            "visited_on": LAST_DAY - timedelta(days=ago), "crew_id": CREWS[count % len(CREWS)][0], "found": "sound",
            "leg": None, "fixed": False, "note": "every line answers to a known load",
        }
        for count, (number, ago) in enumerate(zip(sound, VISITED_DAYS_AGO, strict=False), start=1)
    ]  # fmt: skip
    write_registers(out, {
        "sites": [site | sample_contact(number) for number, site in enumerate(sites)], "truth": truths,
        "crews": CREWS, "visits": visits, "trainings": [],
    })  # fmt: skip


def _wishes(service: str) -> Iterator[Wish]:
    """Yield what each home is: faults on one line and on several, then the rest."""
    installed = (("commissioned_on", LAST_DAY - timedelta(days=200)), *PLAIN.items())

    timezone, north, east = _TOWNS[service]

    def wish(count: int, **what: Any) -> Wish:
        # a few streets apart, so that trucks can go round
        place = (
            ("timezone", timezone),
            ("latitude", north + 0.02 * (count % 8)),
            ("longitude", east + 0.02 * (count // 8)),
        )
        values = installed + place + tuple(what.pop("values", ()))
        return Wish(crew=CREWS[count % len(CREWS)][0], values=values, **what)

    count = 0
    for name, fault in CATALOGUE.items():
        legs = fault.legs_on(service)
        alone = [leg for leg in legs if len(lines_of(leg, 3)) == 1]
        several = [leg for leg in legs if leg not in alone]
        # a line, and more than one; every way to cross lines
        chosen = (alone[count % 3], *several[count % 4 :][:1]) if alone else several
        for leg in chosen:
            onset = ONSET_DAY if count % 5 == 4 and not fault.is_record_error else None
            yield wish(count, fault=name, leg=leg, onset_day=onset, values=(("battery_wh", 0.0),))
            count += 1
    for kind in ODD:
        yield wish(count, fault="", hard=kind)
        count += 1
    for other in OTHERS:
        yield wish(count, fault="", values=(("service", other), ("volts", service_of(other).volts)))
        count += 1
    yield wish(count, fault="", values=(("is_summed", True),))
    count += 1
    for _ in range(SOUND_HOMES):
        yield wish(count, fault="")
        count += 1

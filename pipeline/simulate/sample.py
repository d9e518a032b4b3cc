"""The sample lake: an invented fleet of 72 homes whose stories are chosen, not drawn."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from pipeline.simulate.fleet import simulate_home, site_id
from pipeline.simulate.lake import Rows, write_registers, write_shard
from pipeline.simulate.spec import FleetSpec, Wish

LAST_DAY = date(2026, 6, 14)
SPEC = FleetSpec(
    sites=72, days=28, minutes=15, seed=20, end=LAST_DAY,
    fault_share=0.0, hard_share=0.0, plain_share=0.0, register_gap_share=0.0, areas=4,
)  # fmt: skip
CREWS = tuple((f"C{number:02d}", f"Crew {name}") for number, name in enumerate("ABCDE", start=1))
# Plain homes: upstream CTs, a net that is easy to read; stories change what they need.
PLAIN: dict[str, Any] = {"pv_added_back": False, "is_clipped": False, "cts_per_leg": 1}
UPSTREAM = {"sees_pv": True, "location": "service_entrance"}
AT_LOADS = {"sees_pv": False, "location": "load_conductors"}
PAIRS = {"cts_per_leg": 2}

# home -> (fault, leg, onset day, fixed day, crew, plan values)
FAULTY: dict[int, tuple[str, str, int | None, int | None, str, dict[str, Any]]] = {
    4: ("reversed", "l1", None, None, "C01", UPSTREAM),
    9: ("reversed", "both", None, None, "C01", UPSTREAM),
    15: ("legs_crossed", "both", None, None, "C01", UPSTREAM),
    21: ("same_leg", "l2", None, None, "C03", UPSTREAM),
    27: ("dead", "l2", 12, None, "C02", UPSTREAM),
    33: ("partial", "l1", None, None, "C04", UPSTREAM | PAIRS),
    37: ("opposed_pair", "l2", None, None, "C04", AT_LOADS | PAIRS),
    42: ("loose_core", "l1", None, None, "C05", UPSTREAM),
    46: ("wrong_ratio", "both", None, None, "C02", UPSTREAM),
    51: ("wrong_scope", "both", None, None, "C03", UPSTREAM),
    57: ("swapped_with_pv", "l1", None, None, "C05", UPSTREAM | {"production_leg": 1}),
    65: ("intermittent", "l2", 9, None, "C02", UPSTREAM),
    63: ("pickup_noise", "l1", None, None, "C04", AT_LOADS | {"lead_extended": True}),
    30: ("reversed", "l2", None, 17, "C01", UPSTREAM),
}
HARD: dict[int, str] = {
    2: "battery_export", 12: "clock_offset", 18: "vacant", 24: "pv_outage", 39: "new_site",
    49: "loose_neutral", 54: "ev_all_night", 60: "zero_dropouts", 70: "single_leg_inverter",
}  # fmt: skip
NEW = {10: 1, 29: 4, 40: 9, 55: 16}  # home -> days in service before the last one
# (home, days before the last day, crew, found, leg, fixed, note)
VISITS = (
    (6, 212, "C02", "dead", "l1", True, "connector had slipped out, reseated"),
    (44, 143, "C04", "reversed", "l1", True, "lead pair landed the wrong way round"),
    (18, 61, "C03", "sound", None, False, "house stands empty, both legs answer to a test load"),
    (53, 19, "C05", "sound", None, False, "known load on both legs reads right"),
    (30, 10, "C02", "reversed", "l2", True, "CT turned, 1.5 kW test load reads +1.5 kW on L2"),
    (37, 5, "C02", "opposed_pair", "l2", False, "panel cover rusted shut, needs a second visit"),
)
TRAININGS = (("C03", 330, "legs_crossed"), ("C05", 96, "reversed"), ("C01", 40, "reversed"))


def _draw_wish(number: int, rng: np.random.Generator) -> Wish:
    place = {
        "timezone": "America/Denver",
        # each area has a quarter of the country to itself, as dispatch areas do
        "latitude": 39.4 + 0.45 * (number // 2 % 2) + float(rng.uniform(0.0, 0.45)),
        "longitude": -105.3 + 0.4 * (number % 2) + float(rng.uniform(0.0, 0.4)),
    }
    crew = CREWS[int(rng.choice(5, p=[0.24, 0.22, 0.2, 0.18, 0.16]))][0]
    values = PLAIN | place
    if number in FAULTY:
        fault, leg, onset, fixed, crew, plan_values = FAULTY[number]
        values |= {"service": "120/240", "volts": 120.0, "battery_wh": 0.0, **plan_values}
        values["commissioned_on"] = date(2026, 1, 12) + timedelta(days=2 * number)
        if number > 45 or onset is not None:
            values["commissioned_on"] = date(2025, 9, 3) + timedelta(days=number)
        return Wish(fault, leg, onset, fixed, crew, "", tuple(values.items()))
    if number in NEW:
        values["commissioned_on"] = LAST_DAY - timedelta(days=NEW[number])
    days_ago = [ago for home, ago, *_ in VISITS if home == number]
    if days_ago:
        values["commissioned_on"] = LAST_DAY - timedelta(days=max(days_ago) + 90 + number)
    return Wish(fault="", crew=crew, hard=HARD.get(number, ""), values=tuple(values.items()))


def sample_contact(number: int) -> dict[str, str | None]:
    """Return an address that isn't one, a customer without a name, and for one home in three how to get in."""
    access = ("gate code at the office", "dog in the yard: call first", "panel in the garage")[
        number // 3 % 3
    ]
    return {
        "address": f"{number + 1} Sample Street", "customer": f"Customer {number + 1:03d}",
        "access_note": access if number % 3 == 0 else None,
    }  # fmt: skip


def write_sample_lake(out: Path) -> None:
    """Write the sample lake and its truth.csv into `out`; always the same bytes."""
    rng = np.random.default_rng(SPEC.seed)
    wishes = [_draw_wish(number, rng) for number in range(SPEC.sites)]
    out.mkdir(parents=True, exist_ok=True)
    records = (simulate_home(SPEC, number, wish) for number, wish in enumerate(wishes))
    sites, truths, _ = write_shard(records, out, 0)
    sites = [site | sample_contact(number) for number, site in enumerate(sites)]
    visits: Rows = [
        {
            "visit_id": f"V{count:04d}", "site_id": site_id(home),
            "visited_on": LAST_DAY - timedelta(days=ago), "crew_id": crew,
            "found": found, "leg": leg, "fixed": is_fixed, "note": note,
        }
        for count, (home, ago, crew, found, leg, is_fixed, note) in enumerate(VISITS, start=1)
    ]  # fmt: skip
    trainings: Rows = [
        {"crew_id": crew, "trained_on": LAST_DAY - timedelta(days=ago), "topic": topic}
        for crew, ago, topic in TRAININGS
    ]
    write_registers(out, {
        "sites": sites, "truth": truths, "crews": CREWS, "visits": visits, "trainings": trainings,
    })  # fmt: skip

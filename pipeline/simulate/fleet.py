"""Homes with their faults, as the registers and the lake show them, and the truth beside."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
import polars as pl

from pipeline.core.services import lines_of, service_of
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.circuit import Float
from pipeline.faults.cts import CT, PRODUCTION, Wiring, measure
from pipeline.faults.reading import Reading
from pipeline.simulate.crossed_wiring import turn_some, wiring_code
from pipeline.simulate.drawn_meters import draw_meter
from pipeline.simulate.home import CleanHome, clean_home
from pipeline.simulate.logger import reported_rows
from pipeline.simulate.plan import AREAS, HomePlan
from pipeline.simulate.service_draws import draw_main_amps, is_dealt_anew
from pipeline.simulate.spec import FleetSpec, HomeRecord, Wish, seeded_rng

HOMES_PER_CREW = 60
# Limits of a CT in class 1 at 5 % of its rated current (IEC 61869-2): ratio, and phase displacement.
CLASS_RATIO, CLASS_DEG = 0.03, 3.0
# How likely a fault is against the fleet's share: with bundles, parallel CTs or extended leads, and without.
HARD_POSITION, EASY_POSITION = 1.27, 0.63
REGISTER_GAPS = (
    "timezone", "latitude", "longitude", "service", "service_amps", "pv_kw", "ct_sees_pv", "ct_location",
    "ct_amps", "cts_per_leg", "lead_extended", "has_battery", "has_ev", "commissioned_on",
)  # fmt: skip


def site_id(number: int) -> str:
    """Return the id of home `number`."""
    return f"H{number:05d}"


def crews_of(spec: FleetSpec) -> list[tuple[str, str, float]]:
    """Return (crew_id, crew_name, how error-prone, 1 being average) of the fleet's crews."""
    count = int(np.clip(spec.sites // HOMES_PER_CREW, 4, 60))
    rng = seeded_rng(spec.seed, 2_000_000)
    factors = rng.gamma(4.0, 0.25, count)
    factors /= factors.mean()
    return [(f"C{n:02d}", f"Crew {n:02d}", float(factor)) for n, factor in enumerate(factors, start=1)]


@dataclass(frozen=True)
class Install:
    """A home as drawn: without its fault, the fault (empty: none) and its leg, and when it begins and ends.

    `rng` stands where the draws of its CTs and logger begin. `onset_share` is where in the window [0, 1) the
    fault starts (None: at commissioning), `fixed_share` where it ends (None: it lasts).
    """

    home: CleanHome
    fault: str
    leg: str
    rng: np.random.Generator
    crew: str = ""
    onset_share: float | None = None
    fixed_share: float | None = None


@dataclass(frozen=True)
class Measurement:
    """What a home's monitor measures as installed and, over the same time, with its fault absent.

    `onset_on` is the day the fault began; None: at commissioning, or there is none.
    """

    sound: Wiring
    wiring: Wiring
    right: Reading
    reading: Reading
    onset_on: date | None


def sound_wiring(home: CleanHome, rng: np.random.Generator) -> Wiring:
    """Return the home's sound wiring with its CTs' own errors within their class.

    A "crossed_and_turned" home gets both, which cancel but for the leg voltages.
    """

    def draw_error(limit: float) -> float:
        return float(np.clip(rng.normal(0.0, limit / 2), -limit, limit))

    def within_class(ct: CT) -> CT:
        gain = (1 + draw_error(CLASS_RATIO)) * np.exp(1j * draw_error(np.deg2rad(CLASS_DEG)))
        return replace(ct, gain=complex(gain))

    wiring = home.wiring.with_each_ct(within_class, (*home.wiring.legs, PRODUCTION))
    return wiring.crossed_and_turned() if home.plan.hard == "crossed_and_turned" else wiring


def measure_home(install: Install) -> Measurement:
    """Return what the monitor of this home measures."""
    plan, circuit, rng = install.home.plan, install.home.circuit, install.rng
    sound = sound_wiring(install.home, rng)
    right = measure(circuit, sound)
    if not install.fault:
        return Measurement(sound, sound, right, right, None)
    fault, onset_share = CATALOGUE[install.fault], install.onset_share
    wiring, spec = fault.effect(sound, circuit, install.leg, rng), install.home.spec
    wiring = turn_some(wiring, spec.turned_share, spec.rng(plan.number, "crew"))
    faulty = measure(circuit, wiring)
    if onset_share is None or fault.is_record_error:  # a record has no moment at which it changed
        return Measurement(sound, wiring, right, faulty, None)
    reading = right.then(faulty, int(onset_share * circuit.size))
    onset_on = plan.window.day_of(onset_share)
    return Measurement(sound, wiring, right, reading, onset_on if onset_on > plan.commissioned_on else None)


def register_row(install: Install, wiring: Wiring) -> dict[str, Any]:
    """Return the home's row of the sites register: what was written down of it, gaps included."""
    plan, rng = install.home.plan, install.rng
    location = plan.location
    if wiring.declared_sees_pv != plan.sees_pv and rng.random() < 0.6:
        location = "service_entrance" if wiring.declared_sees_pv else "load_conductors"
    site: dict[str, Any] = {
        "site_id": site_id(plan.number), "timezone": plan.timezone,
        # two decimals, about a kilometre: no invented home lies on a real house
        "latitude": round(plan.latitude, 2), "longitude": round(plan.longitude, 2),
        "area": AREAS[plan.area % len(AREAS)], "service": plan.service,
        "service_amps": _draw_service_amps(plan.service, rng),
        "pv_kw": plan.array.ac_w / 1000.0 if plan.array else None,
        "ct_sees_pv": wiring.declared_sees_pv, "pv_added_back": wiring.pv_added_back,
        "ct_location": location, "ct_amps": plan.ct_amps, "cts_per_leg": plan.cts_per_leg,
        "lead_extended": plan.lead_extended,
        "has_battery": bool(plan.battery_wh) and plan.hard != "battery_undeclared",
        "has_ev": bool(plan.ev_w), "crew_id": install.crew, "commissioned_on": plan.commissioned_on,
        "pv_on": plan.pv_on, "lines_summed": plan.is_summed or None,
    }  # fmt: skip
    for name in REGISTER_GAPS:
        if rng.random() < install.home.spec.register_gap_share:
            site[name] = None
    return site


def _draw_service_amps(service: str, rng: np.random.Generator) -> int:
    if is_dealt_anew(service):
        return draw_main_amps(service, rng)
    return int(rng.choice([100, 125, 150, 200, 400], p=[0.15, 0.1, 0.1, 0.58, 0.07]))


def report_home(install: Install) -> HomeRecord:
    """Return what this home puts into a lake; the truth of a home that was put right is "sound"."""
    home, plan = install.home, install.home.plan
    measurement = measure_home(install)
    wiring, reading = measurement.wiring, measurement.reading
    is_faulty = bool(install.fault) and install.fixed_share is None
    if install.fault and install.fixed_share is not None:
        reading = reading.then(measurement.right, int(install.fixed_share * home.circuit.size))
        severity = f"{install.fault} {install.leg} until {plan.window.day_of(install.fixed_share)}"
        wiring = replace(measurement.sound, severity=severity)
    rows = reported_rows(home, reading, install.rng)
    truth = {
        "site_id": site_id(plan.number), "fault": install.fault if is_faulty else "sound",
        "leg": install.leg if is_faulty else None,
        "onset_on": measurement.onset_on if is_faulty else None, "severity": wiring.severity or None,
        "hard_negative": plan.hard or None, "sees_pv_true": plan.sees_pv,
        "wiring": wiring_code(wiring) if wiring.line_count == 3 else None,
    }  # fmt: skip
    spec, name = home.spec, site_id(plan.number)
    meter = draw_meter(home, name, spec.rng(plan.number, "utility")) if spec.utility_share else None
    if meter:
        rows = rows.with_columns(pl.lit(None, pl.Float64).alias(name) for name in ("import_wh", "export_wh"))
    return HomeRecord(rows, register_row(install, wiring), truth, meter)


def _fault_chance(spec: FleetSpec, plan: HomePlan, crew_factor: float) -> float:
    """Return the chance of a fault: the fleet's share, by crew and position where faults are rare."""
    if spec.fault_share >= 0.3:
        return spec.fault_share
    is_hard = plan.location == "load_conductors" or plan.cts_per_leg > 1 or plan.lead_extended
    return min(0.9, spec.fault_share * crew_factor * (HARD_POSITION if is_hard else EASY_POSITION))


def _leg_weights(legs: Sequence[str], service: str) -> Float:
    """Return the chance of each leg: several lines at once are rarer than one where a fault can have one."""
    counts = np.array([len(lines_of(leg, service_of(service).line_count)) for leg in legs])
    weights = np.where((counts > 1) & (counts.min() == 1), 0.25, 1.0)
    chances: Float = weights / weights.sum()
    return chances


def draw_install(spec: FleetSpec, number: int, wish: Wish | None = None) -> Install:
    """Draw home `number` of the fleet and its fault; the same for the same spec, number and wish."""
    rng = spec.rng(number, "report")
    crews = crews_of(spec)
    crew_id, _, factor = crews[int(rng.integers(len(crews)))]
    drawn = str(rng.choice(spec.faults or tuple(CATALOGUE)))
    wish = wish or Wish()
    crew_id = wish.crew or crew_id
    home = clean_home(spec, number, wish)
    is_faulty = rng.random() < _fault_chance(spec, home.plan, factor)
    fault = wish.fault if wish.fault is not None else (drawn if is_faulty else "")
    if not fault:
        return Install(home, "", "", rng, crew_id)
    if not CATALOGUE[fault].fits(home.wiring, home.circuit):
        needs = tuple(CATALOGUE[fault].needs.items()) + (() if home.circuit.has_pv else (("hard", ""),))
        if spec.service is not None:  # a fleet of one service stays so
            needs = tuple((name, value) for name, value in needs if name not in ("service", "volts"))
        home = clean_home(spec, number, replace(wish, values=wish.values + needs))
    if not CATALOGUE[fault].fits(
        home.wiring, home.circuit
    ):  # no solar to exchange or misdeclare, no other line
        fitting = [name for name, other in CATALOGUE.items() if other.fits(home.wiring, home.circuit)]
        fault = fitting[0 if spec.service is None else number % len(fitting)]
    legs = CATALOGUE[fault].legs_on(home.plan.service)
    leg = wish.leg or str(rng.choice(legs, p=_leg_weights(legs, home.plan.service)))
    onset = float(rng.uniform(0.25, 0.9)) if rng.random() < spec.onset_share else None
    if wish.fault is not None:
        onset = None if wish.onset_day is None else (wish.onset_day + 0.4) / spec.days
    fixed = None if wish.fixed_day is None else (wish.fixed_day + 0.7) / spec.days
    return Install(home, fault, leg, rng, crew_id, onset, fixed)


def simulate_home(spec: FleetSpec, number: int, wish: Wish | None = None) -> HomeRecord:
    """Return home `number` of the fleet; the same for the same spec, number and wish."""
    return report_home(draw_install(spec, number, wish))

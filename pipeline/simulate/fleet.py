"""Homes with their faults, as the registers and the lake show them, and the truth beside."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
import polars as pl

from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.clamps import Clamp, Reading, Wiring, measure
from pipeline.simulate.home import CleanHome, clean_home
from pipeline.simulate.logger import as_frame, bad_habits, kept_rows, metered, shift_clock, utility
from pipeline.simulate.plan import AREAS, HomePlan
from pipeline.simulate.spec import FleetSpec, HomeRecord, Wish

HOMES_PER_CREW = 60
# How likely a fault is against the fleet's share: with bundles, parallel CTs or extended leads, and without.
# Limits of a clamp in class 1 at 5 % of its rated current (IEC 61869-2): ratio, and phase displacement.
CLASS_RATIO, CLASS_DEG = 0.03, 3.0
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
    rng = np.random.default_rng(np.random.SeedSequence(spec.seed, spawn_key=(2_000_000,)))
    factors = rng.gamma(4.0, 0.25, count)
    factors /= factors.mean()
    return [(f"C{at + 1:02d}", f"Crew {at + 1:02d}", float(factors[at])) for at in range(count)]


def accurate(home: CleanHome, rng: np.random.Generator) -> Wiring:
    """Return the home's sound wiring with its clamps' own small errors.

    A "crossed_and_turned" home gets both, which cancel but for the leg voltages.
    """

    def spread(limit: float) -> float:
        return float(np.clip(rng.normal(0.0, limit / 2), -limit, limit))

    def real(clamps: tuple[Clamp, ...]) -> tuple[Clamp, ...]:
        return tuple(
            replace(c, gain=complex((1 + spread(CLASS_RATIO)) * np.exp(1j * spread(np.deg2rad(CLASS_DEG)))))
            for c in clamps
        )

    wiring = home.wiring
    wiring = replace(wiring, l1=real(wiring.l1), l2=real(wiring.l2), production=real(wiring.production))
    if home.plan.hard == "crossed_and_turned":
        wiring = wiring.crossed_and_turned()
    return wiring


def register_row(home: CleanHome, wiring: Wiring, crew: str, rng: np.random.Generator) -> dict[str, Any]:
    """Return the home's row of the sites register: what was written down of it, gaps included."""
    plan = home.plan
    location = plan.location
    if wiring.declared_sees_pv != plan.sees_pv and rng.random() < 0.6:
        location = "service_entrance" if wiring.declared_sees_pv else "load_conductors"
    site: dict[str, Any] = {
        "site_id": site_id(plan.number), "timezone": plan.timezone,
        "latitude": round(plan.latitude, 4), "longitude": round(plan.longitude, 4),
        "area": AREAS[plan.area % len(AREAS)], "service": plan.service,
        "service_amps": int(rng.choice([100, 125, 150, 200, 400], p=[0.15, 0.1, 0.1, 0.58, 0.07])),
        "pv_kw": plan.array.ac_w / 1000.0 if plan.array else None,
        "ct_sees_pv": wiring.declared_sees_pv, "pv_added_back": wiring.pv_added_back,
        "ct_location": location, "ct_amps": plan.ct_amps, "cts_per_leg": plan.cts_per_leg,
        "lead_extended": plan.lead_extended,
        "has_battery": bool(plan.battery_wh) and plan.hard != "battery_undeclared",
        "has_ev": bool(plan.ev_w), "crew_id": crew, "commissioned_on": plan.commissioned_on,
    }  # fmt: skip
    for name in REGISTER_GAPS:
        if rng.random() < home.spec.register_gap_share:
            site[name] = None
    return site


@dataclass(frozen=True)
class Measured:
    """What a home's monitor measures as installed and, over the same time, with its fault absent.

    `onset_on` is the day the fault began; None: at commissioning, or there is none.
    """

    sound: Wiring
    wiring: Wiring
    right: Reading
    reading: Reading
    onset_on: date | None


def measured(
    home: CleanHome, fault: str | None, leg: str, rng: np.random.Generator, onset_share: float | None
) -> Measured:
    """Measure a home with `fault` on `leg` (None: sound) from `onset_share` of the window on (None: all of it)."""
    plan, circuit = home.plan, home.circuit
    sound = accurate(home, rng)
    right = measure(circuit, sound)
    if not fault:
        return Measured(sound, sound, right, right, None)
    wiring = CATALOGUE[fault].effect(sound, circuit, leg, rng)
    faulty = measure(circuit, wiring)
    if onset_share is None or CATALOGUE[fault].is_record_error:  # a record has no moment at which it changed
        return Measured(sound, wiring, right, faulty, None)
    onset = plan.window.day_of(onset_share)
    reading = right.then(faulty, int(onset_share * circuit.size))
    return Measured(sound, wiring, right, reading, onset if onset > plan.commissioned_on else None)


def as_reported(
    home: CleanHome, reading: Reading, rng: np.random.Generator, is_producing: bool | None = None
) -> pl.DataFrame:
    """Return the rows that reach the lake of what the monitor measured, with the logger's habits.

    `is_producing` is handed to `logger.metered`.
    """
    columns = shift_clock(home, metered(home, reading, rng, is_producing), rng)
    columns |= utility(home, rng)
    columns = bad_habits(home, columns, rng)
    keep = kept_rows(home, columns["l1_w"].size, rng)
    return as_frame(home, columns, keep)


def report_home(
    home: CleanHome,
    fault: str | None,
    leg: str,
    rng: np.random.Generator,
    onset_share: float | None = None,
    fixed_share: float | None = None,
    crew: str = "",
) -> HomeRecord:
    """Return what this home puts into a lake, with `fault` on `leg` injected (None: sound).

    `onset_share` is where in the window [0, 1) the fault starts; None: at commissioning.
    `fixed_share` is where it ends (None: it lasts); the truth of a home put right is "sound".

    Raises
    ------
    KeyError
        No such fault in the catalogue.
    """
    plan = home.plan
    made = measured(home, fault, leg, rng, onset_share)
    wiring, reading = made.wiring, made.reading
    is_now = bool(fault) and fixed_share is None
    if fault and fixed_share is not None:
        reading = reading.then(made.right, int(fixed_share * home.circuit.size))
        words = f"{fault} {leg} until {plan.window.day_of(fixed_share)}"
        wiring = replace(made.sound, severity=words)
    rows = as_reported(home, reading, rng)
    truth = {
        "site_id": site_id(plan.number), "fault": fault if is_now else "sound",
        "leg": leg if is_now else None,
        "onset_on": made.onset_on if is_now else None, "severity": wiring.severity or None,
        "hard_negative": plan.hard or None, "sees_pv_true": plan.sees_pv,
    }  # fmt: skip
    return HomeRecord(rows, register_row(home, wiring, crew, rng), truth)


def _fault_chance(spec: FleetSpec, plan: HomePlan, crew_factor: float) -> float:
    """Return the chance of a fault: the fleet's share, by crew and position where faults are rare."""
    if spec.fault_share >= 0.3:
        return spec.fault_share
    is_hard = plan.location == "load_conductors" or plan.cts_per_leg > 1 or plan.lead_extended
    return min(0.9, spec.fault_share * crew_factor * (HARD_POSITION if is_hard else EASY_POSITION))


@dataclass(frozen=True)
class Install:
    """A home as drawn: without its fault, the fault (empty: none) and its leg, and what comes later to its draws.

    `onset_share`, `fixed_share` and `crew` as in `report_home`; `rng` stands where the report's draws begin.
    """

    home: CleanHome
    fault: str
    leg: str
    rng: np.random.Generator
    crew: str
    onset_share: float | None = None
    fixed_share: float | None = None


def draw_install(spec: FleetSpec, number: int, wish: Wish | None = None) -> Install:
    """Draw home `number` of the fleet and its fault; the same for the same spec, number and wish."""
    rng = spec.rng(number, "report")
    crew_id, _, factor = crews_of(spec)[int(rng.integers(len(crews_of(spec))))]
    names = spec.faults or tuple(CATALOGUE)
    drawn = str(rng.choice(names))
    wish = wish or Wish()
    crew_id = wish.crew or crew_id
    home = clean_home(spec, number, wish)
    is_faulty = rng.random() < _fault_chance(spec, home.plan, factor)
    fault = wish.fault if wish.fault is not None else (drawn if is_faulty else "")
    if not fault:
        return Install(home, "", "", rng, crew_id)
    if not CATALOGUE[fault].fits(home.wiring, home.circuit):
        need = tuple(CATALOGUE[fault].needs.items()) + (() if home.circuit.has_pv else (("hard", ""),))
        home = clean_home(spec, number, replace(wish, values=wish.values + need))
    if not CATALOGUE[fault].fits(home.wiring, home.circuit):  # no solar to exchange or misdeclare
        fault = next(name for name, other in CATALOGUE.items() if other.fits(home.wiring, home.circuit))
    legs = CATALOGUE[fault].legs_on(home.plan.service)
    weights = np.array([0.25 if leg == "both" and len(legs) > 1 else 1.0 for leg in legs])
    leg = wish.leg or str(rng.choice(legs, p=weights / weights.sum()))
    onset = float(rng.uniform(0.25, 0.9)) if rng.random() < spec.onset_share else None
    if wish.fault is not None:
        onset = None if wish.onset_day is None else (wish.onset_day + 0.4) / spec.days
    fixed = None if wish.fixed_day is None else (wish.fixed_day + 0.7) / spec.days
    return Install(home, fault, leg, rng, crew_id, onset, fixed)


def simulate_home(spec: FleetSpec, number: int, wish: Wish | None = None) -> HomeRecord:
    """Return home `number` of the fleet; the same for the same spec, number and wish."""
    drawn = draw_install(spec, number, wish)
    return report_home(
        drawn.home,
        drawn.fault or None,
        drawn.leg,
        drawn.rng,
        drawn.onset_share,
        drawn.fixed_share,
        drawn.crew,
    )


def simulate_homes(spec: FleetSpec, numbers: range | None = None) -> Iterator[HomeRecord]:
    """Yield the fleet's homes, or those of `numbers`; any subset gives the same homes."""
    for number in numbers if numbers is not None else range(spec.sites):
        yield simulate_home(spec, number)


def clean_homes(spec: FleetSpec, numbers: range | None = None) -> Iterator[CleanHome]:
    """Yield the fleet's homes as fault-free circuits, for injecting faults with `report_home`."""
    for number in numbers if numbers is not None else range(spec.sites):
        yield clean_home(spec, number)

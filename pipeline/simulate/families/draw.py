"""Draws a family's fleet: streets and homes, then who has which fault and who only looks odd.

Own ranges, from the trade: mostly 120/240 homes with an upstream CT a leg, some 120/208 condominiums
and single-line homes, some bundled load conductors with CTs in parallel. A fleet of another service is drawn
in the same way and then put on it (see simulate.service_draws), in places that have it. Faults and hard negatives
are dealt evenly over their kinds, each home in a random order getting the rarest kind that fits it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from pipeline.core.services import BOTH, service_of
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring
from pipeline.simulate.families.places import NO_SUMMER_TIME, places_of
from pipeline.simulate.families.spec import Area, Home, Roof, UnlikeSpec
from pipeline.simulate.service_draws import (
    BY_LINE_SHARE,
    LARGER,
    ONE_LINE_MOST_KW,
    ONE_LINE_UNFIT,
    THREE_LINES_UNFIT,
    draw_main_amps,
    draw_pv_leg,
    draw_pv_on,
    has_230_volts,
    is_dealt_anew,
)
from pipeline.simulate.spec import seeded_rng

SERVICES = (("120/240", 0.83), ("120/208", 0.1), ("single", 0.07))
HOMES_A_STREET = {
    "120/240": (3, 9), "120/208": (6, 13), "single": (3, 7), "230": (6, 13), "230/400": (6, 13),
    "120/208 three-phase": (3, 7),
}  # fmt: skip
PV_SHARE, UPSTREAM_SHARE, BATTERY_SHARE, EV_SHARE = 0.95, 0.68, 0.07, 0.2
WEATHER_SHARES = (0.7, 0.4, 0.25)  # of family "weather" with leg voltages, reactive power, utility meter
HARD = (
    "battery_exporting", "battery_undeclared", "battery_declared", "ev_all_night", "vacant", "pv_outage",
    "snow", "second_array", "production_scaled", "single_leg_inverter", "clock_offset", "local_time", "dst",
    "gaps", "stale_values", "zero_dropouts", "sign_glitches", "new_site", "loose_neutral",
    "crossed_and_turned",
)  # fmt: skip
NEEDS_SUN = {
    "pv_outage", "snow", "second_array", "production_scaled", "single_leg_inverter", "clock_offset", "local_time",
    "dst",
}  # fmt: skip
SIZE_230_V = 0.75  # of arrays where lines have 230 V, over those of homes with two legs
NEEDS_240 = {"loose_neutral", "crossed_and_turned"}
NEEDS_DAYS = {"dst": 4, "pv_outage": 4, "snow": 4, "new_site": 3}
LEAST_DAYS_FOR_ONSET = 6
Fits = Callable[[Home, str, UnlikeSpec], bool]
Give = Callable[[Home, str, int, UnlikeSpec, np.random.Generator], Home]


def areas(spec: UnlikeSpec) -> list[Area]:
    """Return the dispatch areas; a zone's offset is the one at the middle of the window."""
    middle = (spec.start + (datetime.combine(spec.end, datetime.max.time()) - spec.start) / 2).replace(
        tzinfo=UTC
    )
    places = []
    for name, zone, latitude, longitude, mean_c in places_of(spec):
        offset = middle.astimezone(ZoneInfo(zone)).utcoffset() or timedelta()
        places.append(Area(name, zone, latitude, longitude, offset // timedelta(minutes=1), mean_c))
    return places


def _streets(spec: UnlikeSpec) -> Iterator[list[int]]:
    """Yield the numbers of the homes on each transformer, in order."""
    first, street = 0, 0
    while first < spec.sites:
        low, high = HOMES_A_STREET[_draw_service(spec, street)[0]]
        count = int(_street_rng(spec, street, 1).integers(low, high))
        yield list(range(first, min(first + count, spec.sites)))
        first, street = first + count, street + 1


def _street_rng(spec: UnlikeSpec, street: int, what: int) -> np.random.Generator:
    return seeded_rng(spec.seed, 2, street, what)


def _draw_service(spec: UnlikeSpec, street: int) -> tuple[str, int]:
    """Return the service of a street and the number of its area."""
    rng = _street_rng(spec, street, 0)
    index = int(rng.choice(len(SERVICES), p=[share for _, share in SERVICES]))
    return spec.service or SERVICES[index][0], int(rng.integers(len(places_of(spec))))


def draw_fleet(spec: UnlikeSpec) -> list[list[Home]]:
    """Return the homes of the fleet, street by street, with their faults and hard negatives."""
    drawn = [
        [_draw_home(spec, street, number) for number in numbers]
        for street, numbers in enumerate(_streets(spec))
    ]
    flat = [home for homes in drawn for home in homes]
    rng = seeded_rng(spec.seed, 4)
    order = rng.permutation(len(flat)).tolist()
    names = tuple(spec.faults or CATALOGUE)

    def deal(share: float, kinds: tuple[str, ...], fits: Fits, give: Give) -> None:
        """Give so many homes a kind that fits, always the rarest so far."""
        dealt: Counter[str] = Counter()
        for number in order:
            if dealt.total() == round(share * spec.sites):
                return
            fitting = [kind for kind in kinds if fits(flat[number], kind, spec)]
            if fitting:
                kind = min(fitting, key=lambda kind: (dealt[kind], kind))
                flat[number] = give(flat[number], kind, dealt[kind], spec, rng)
                dealt[kind] += 1

    deal(spec.fault_share, names, _fits_fault, _with_fault)
    deal(spec.hard_share, HARD, _fits_hard, _with_hard)
    return [[flat[home.number] for home in homes] for homes in drawn]


def right_wiring(home: Home) -> Wiring:
    """Return the right wiring of the home's position."""
    return Wiring.sound(
        service=home.service, ct_sees_pv=home.sees_pv, cts_per_leg=home.cts_per_leg,
        production_by=home.production_by, production_leg=home.production_leg, pv_lines=home.pv_lines,
        pv_added_back=home.added_back, is_clipped=home.is_clipped,
    )  # fmt: skip


def _fits_fault(home: Home, name: str, spec: UnlikeSpec) -> bool:
    pv_w = np.full(1, 1000.0 if home.roof else 0.0)
    loads_w = np.ones((service_of(home.service).line_count, 1))
    circuit = Circuit.from_powers(loads_w, pv_w, service=home.service, pv_lines=home.pv_lines)
    fault = CATALOGUE[name]
    return bool(fault.legs_on(home.service)) and fault.fits(right_wiring(home), circuit)


def _with_fault(home: Home, name: str, nth: int, spec: UnlikeSpec, rng: np.random.Generator) -> Home:
    fault, onset = CATALOGUE[name], 0
    legs = fault.legs_on(home.service)
    # A record that is wrong has been wrong from the first day: readings don't change with it.
    may_begin = spec.days >= LEAST_DAYS_FOR_ONSET and not fault.is_record_error
    if may_begin and rng.random() < spec.onset_share:
        onset = int(rng.integers(2, spec.days - 2)) * 1440 + int(rng.integers(1440))
    return replace(home, fault=name, leg=legs[nth % len(legs)], onset_min=onset)


def _fits_hard(home: Home, word: str, spec: UnlikeSpec) -> bool:
    if home.fault != "sound":
        return False
    if (word in NEEDS_SUN and home.roof is None) or spec.days < NEEDS_DAYS.get(word, 0):
        return False
    count = service_of(home.service).line_count
    unfit = {1: ONE_LINE_UNFIT, 2: (), 3: THREE_LINES_UNFIT}[count]
    if word in unfit or (word in NEEDS_240 and home.service == "120/208"):
        return False
    if word == "dst":
        return places_of(spec)[home.area][1] not in NO_SUMMER_TIME
    return word != "loose_neutral" or spec.with_volts is not False


def _with_hard(home: Home, word: str, nth: int, spec: UnlikeSpec, rng: np.random.Generator) -> Home:
    coin = bool(rng.random() < 0.5)
    if word == "battery_exporting":
        return replace(home, hard=word, battery="exports", declares_battery=True, has_battery_w=coin)
    if word == "battery_undeclared":
        return replace(home, hard=word, battery="self", declares_battery=False, has_battery_w=False)
    if word == "battery_declared":
        return replace(home, hard=word, battery="self", declares_battery=True, has_battery_w=coin)
    if word == "loose_neutral":
        return replace(home, hard=word, has_volts=bool(spec.with_volts or rng.random() < 0.8))
    if word == "ev_all_night":
        return replace(home, hard=word, has_ev=coin)
    if word == "single_leg_inverter" and home.roof is not None:
        ac_kw = float(rng.choice([0.6, 0.9, 1.2, 1.8]))
        leg = "l1" if coin else "l2"
        if service_of(home.service).line_count == 3:
            leg, ac_kw = f"l{int(rng.integers(1, 4))}", min(home.roof.ac_kw, ONE_LINE_MOST_KW)
        roof = replace(home.roof, ac_kw=ac_kw, dc_kw=ac_kw * 1.2)
        # What is added back goes half on each leg, which this inverter doesn't do.
        home = replace(home, hard=word, roof=roof, pv_leg=leg, added_back=False, is_clipped=False)
        return replace(home, pv_on=None if home.pv_on is None else leg)
    return replace(home, hard=word)


def _draw_home(spec: UnlikeSpec, street: int, number: int) -> Home:
    service, area = _draw_service(spec, street)
    rng = seeded_rng(spec.seed, 1, number)
    _, _, latitude, longitude, _ = places_of(spec)[area]
    ac_kw = float(rng.choice([2.9, 3.8, 5.0, 6.0, 7.6, 8.2, 10.0, 11.4])) * (
        0.6 if service == "120/208" else 1
    )
    roof = Roof(
        latitude=latitude + float(rng.normal(0, 0.15)), longitude=longitude + float(rng.normal(0, 0.2)),
        tilt=float(rng.uniform(8, 42)), azimuth=float(rng.normal(185, 50)),
        dc_kw=ac_kw * float(rng.uniform(0.85, 1.45)), ac_kw=round(ac_kw, 2),
    )  # fmt: skip
    sees_pv = bool(rng.random() < UPSTREAM_SHARE)
    has_pv, adds, by_line = rng.random() < PV_SHARE, rng.random() < 0.1, rng.random() < 0.65
    has_battery = bool(rng.random() < BATTERY_SHARE)
    volts = bool(rng.random() < 0.6)
    home = Home(
        number=number, street=street, area=area, service=service, roof=roof if has_pv else None,
        pv_leg=BOTH, sees_pv=sees_pv,
        cts_per_leg=2 if rng.random() < (0.12 if sees_pv else 0.5) else 1,
        added_back=bool(has_pv and sees_pv and adds),
        is_clipped=bool(has_pv and sees_pv and adds and rng.random() < 0.5),
        production_by="line" if by_line else "leg", production_leg=int(rng.integers(1, 3)),
        battery="self" if has_battery else "", declares_battery=has_battery,
        has_battery_w=has_battery, has_volts=volts if spec.with_volts is None else spec.with_volts,
        has_var=bool(rng.random() < 0.5), has_meter=bool(rng.random() < 0.35),
        has_ev=bool(rng.random() < EV_SHARE),
        service_amps=int(rng.choice([100, 125, 150, 200], p=[0.2, 0.15, 0.15, 0.5])),
    )  # fmt: skip
    if spec.family == "weather":
        volts, has_var, has_meter = (bool(rng.random() < share) for share in WEATHER_SHARES)
        has_volts = volts if spec.with_volts is None else spec.with_volts
        home = replace(home, has_volts=has_volts, has_var=has_var, has_meter=has_meter)
    return _on_service(home, seeded_rng(spec.seed, 9, number)) if is_dealt_anew(service) else home


def _on_service(home: Home, rng: np.random.Generator) -> Home:
    """Return a home drawn for two legs as homes on its service are: its fuse, its sun's side, its inverter's lines."""
    known, roof = service_of(home.service), home.roof
    home = replace(home, service_amps=draw_main_amps(home.service, rng))
    if roof and roof.latitude < 0:  # arrays face the equator
        roof = replace(roof, azimuth=roof.azimuth + 180.0)
    if known.line_count == 1 or roof is None:
        return replace(home, roof=roof)
    size = SIZE_230_V if has_230_volts(home.service) else LARGER
    roof = replace(roof, ac_kw=round(size * roof.ac_kw, 1), dc_kw=size * roof.dc_kw)
    pv_leg = draw_pv_leg(home.service, roof.ac_kw, rng)
    return replace(
        home, roof=roof, pv_leg=pv_leg, pv_on=draw_pv_on(pv_leg, rng),
        is_by_line=bool(rng.random() < BY_LINE_SHARE), production_leg=int(rng.integers(1, 4)),
    )  # fmt: skip

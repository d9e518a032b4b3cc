"""The draw of a home: where it is, what it owns, how it is wired, what is odd about it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Literal

import numpy as np

from pipeline.core.services import BOTH, lines_of, service_of
from pipeline.simulate.connections import drawn_lines, row_of
from pipeline.simulate.service_draws import (
    ONE_LINE_UNFIT,
    draw_load_lines,
    has_230_volts,
    is_dealt_anew,
    values_on,
)
from pipeline.simulate.sky import Array
from pipeline.simulate.spec import FleetSpec, Window, Wish

# time zone, latitudes, longitudes; areas take them in turn, so a fleet of one area has one zone.
PLACES = (
    ("America/Denver", (35.0, 45.0), (-109.0, -103.0)),
    ("America/Los_Angeles", (33.0, 48.0), (-123.0, -116.0)),
    ("America/New_York", (33.0, 45.0), (-83.0, -71.0)),
    ("America/Chicago", (28.0, 46.0), (-98.0, -87.0)),
    ("America/Phoenix", (31.5, 36.5), (-113.5, -110.0)),
    ("Australia/Brisbane", (-28.0, -20.0), (147.0, 153.0)),
    ("America/Halifax", (44.0, 46.0), (-65.0, -61.0)),
    ("Europe/Berlin", (48.0, 54.0), (7.0, 14.0)),
    ("America/Edmonton", (49.5, 60.0), (-119.0, -111.0)),
    ("Pacific/Honolulu", (20.0, 21.5), (-158.0, -155.5)),
    ("Pacific/Auckland", (-46.0, -36.0), (168.0, 176.5)),
    ("Africa/Johannesburg", (-34.0, -25.0), (19.0, 31.0)),
)
PLACES_230_V = tuple(place for place in PLACES if not place[0].startswith(("America/", "Pacific/Honolulu")))
AREAS = tuple(f"District {number}" for number in range(1, 13))  # no real place's name
HARD = (
    "battery_export", "battery_undeclared", "ev_all_night", "vacant", "pv_outage", "snow",
    "second_array", "single_leg_inverter", "clock_offset", "local_time", "gaps", "stale_repeats",
    "zero_dropouts", "sign_glitches", "new_site", "loose_neutral", "crossed_and_turned",
)  # fmt: skip
INTERVALS = ((1, 0.06), (5, 0.3), (15, 0.4), (30, 0.12), (60, 0.12))
LOCATIONS = (("service_entrance", True), ("bus_bar", True), ("feeder", True), ("load_conductors", False))
CT_AMPS = (50, 60, 100, 150, 200, 400)


@dataclass(frozen=True)
class HomePlan:
    """Everything drawn about a home before time starts; powers in W, hours of the local day in h."""

    number: int
    window: Window
    area: int
    timezone: str
    latitude: float
    longitude: float
    service: str
    volts: float
    hard: str
    is_vacant: bool
    is_plain: bool  # drawn with a broad brush, see plain.py
    commissioned_on: date
    # wiring
    location: str
    sees_pv: bool
    cts_per_leg: int
    ct_amps: int
    lead_extended: bool
    production_by: Literal["line", "leg"]
    production_leg: int
    pv_leg: str  # code of the lines that the inverter feeds, BOTH for all
    is_summed: bool  # the source exports one channel, the sum of the lines
    is_by_line: bool  # the source reports production by line
    pv_on: str | None  # what the register says of pv_leg
    pv_added_back: bool
    is_clipped: bool
    # solar and battery
    array: Array | None
    second: Array | None
    battery_wh: float
    battery_w: float
    battery_exports: bool
    # loads
    base_w: float
    base_tangent: float
    lights_w: float
    activity: float
    group_shares: tuple[float, ...]  # of what is always on: line 1 bundle a, b, line 2 bundle a, b ...
    line_shares: tuple[float, ...]  # of circuits by line
    bundle_a_share: float
    big_share: float
    fridges: int
    heat_pump_w: float
    heats_below_c: float
    ev_w: float
    ev_at_h: float
    ev_hours: float
    ev_share: float
    pool_w: float
    wakes_h: float
    home_by_day: float
    away_share: float

    @property
    def pv_lines(self) -> tuple[str, ...]:
        """The lines that the inverter feeds."""
        return lines_of(self.pv_leg, service_of(self.service).line_count)

    def deal(self, rng: np.random.Generator, kind: str = "") -> int:
        """Draw the row (of `connections`) of a load: on one line, or on several if it is a large one of this kind."""
        lines: tuple[int, ...] = (1, 2)
        if kind and is_dealt_anew(self.service) and drawn_lines(self.service) == 3:
            lines = draw_load_lines(self.service, kind, rng)
        elif not kind:
            drawn, bounds = rng.random(), np.cumsum(self.line_shares[:-1])
            lines = (1 + int((drawn >= bounds).sum()),)
        return row_of(self.service, lines, int(rng.random() >= self.bundle_a_share))


def _log(rng: np.random.Generator, low: float, high: float) -> float:
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _window(spec: FleetSpec, rng: np.random.Generator) -> Window:
    drawn = int(rng.choice([m for m, _ in INTERVALS], p=[p for _, p in INTERVALS]))
    anywhere = date(2025, 1, 1) + timedelta(days=int(rng.integers(365)))
    minutes = spec.minutes or drawn
    end = spec.end or anywhere
    return Window(end - timedelta(days=spec.days - 1), spec.days, min(5, minutes), minutes)


def _array(rng: np.random.Generator, ac_w: float, latitude: float) -> Array:
    equatorward = 180.0 if latitude > 0 else 0.0
    shaded_from = rng.uniform(60.0, 280.0)
    return Array(
        dc_w=ac_w * rng.uniform(0.95, 1.45),
        ac_w=ac_w,
        tilt_deg=rng.uniform(5.0, 45.0),
        azimuth_deg=equatorward + rng.normal(0.0, 50.0),
        shaded_from=shaded_from,
        shaded_to=shaded_from + (rng.uniform(10.0, 40.0) if rng.random() < 0.2 else 0.0),
    )


def draw_plan(spec: FleetSpec, number: int, wish: Wish | None = None) -> HomePlan:
    """Draw home `number` of the fleet; `wish` overrides what it names."""
    wish = wish or Wish()
    rng = spec.rng(number, "plan")
    window = _window(spec, rng)
    area = number % spec.areas
    wanted = dict(wish.values).get("service", spec.service)
    places = PLACES_230_V if has_230_volts(wanted) else PLACES
    timezone, latitudes, longitudes = places[area % len(places)]
    latitude = float(rng.uniform(*latitudes))
    service = str(rng.choice(["120/240", "120/208", "single"], p=[0.84, 0.09, 0.07]))
    hard = str(rng.choice(HARD)) if rng.random() < spec.hard_share else ""
    hard = wish.hard if wish.hard is not None else hard
    if service == "single" and hard in ONE_LINE_UNFIT:
        service = "120/240"
    if spec.service:
        service = spec.service
        hard = "" if service == "single" and hard in ONE_LINE_UNFIT else hard
    location, sees_pv = LOCATIONS[int(rng.choice(4, p=[0.4, 0.12, 0.13, 0.35]))]
    pv_kw = round(_log(rng, 1.5, 12.0), 1)
    array = _array(rng, 1000.0 * pv_kw, latitude)
    second = replace(
        _array(rng, 1000.0 * _log(rng, 1.0, 5.0), latitude), azimuth_deg=rng.uniform(70.0, 290.0)
    )
    has_pv = rng.random() < 0.97 or hard in ("pv_outage", "snow", "second_array", "single_leg_inverter")
    is_vacant = hard == "vacant"
    battery = rng.random() < 0.1 or hard in ("battery_export", "battery_undeclared")
    balance = float(np.clip(rng.normal(0.5, 0.17), 0.1, 0.9))
    bundle = float(rng.uniform(0.25, 0.75))
    base_balance = float(np.clip(rng.normal(balance, 0.15), 0.1, 0.9))
    if is_vacant and rng.random() < 0.4:  # what is left on may all be on one leg
        base_balance = float(rng.integers(2))
    all_night = hard == "ev_all_night"
    added = sees_pv and has_pv and rng.random() < 0.08
    # Newly commissioned, or months to years ago.
    since = int(rng.integers(2, 7)) if hard == "new_site" else int(window.days + _log(rng, 5.0, 900.0))
    plan = HomePlan(
        number=number, window=window, area=area, timezone=timezone,
        latitude=latitude, longitude=float(rng.uniform(*longitudes)),
        service=service, volts=(float(rng.choice([230.0, 240.0])) if service == "single" else 120.0),
        hard=hard, is_vacant=is_vacant,
        is_plain=bool(rng.random() < spec.plain_share),
        commissioned_on=window.end - timedelta(days=since - 1),
        location=location, sees_pv=sees_pv,
        cts_per_leg=2 if rng.random() < (0.5 if location == "load_conductors" else 0.15) else 1,
        ct_amps=int(rng.choice(CT_AMPS, p=[0.05, 0.05, 0.2, 0.1, 0.5, 0.1])),
        lead_extended=bool(rng.random() < 0.25),
        production_by="line" if rng.random() < 0.5 else "leg", production_leg=int(rng.integers(1, 3)),
        pv_leg=("l1" if rng.random() < 0.5 else "l2") if hard == "single_leg_inverter" else BOTH,
        is_summed=False, is_by_line=False, pv_on=None,
        pv_added_back=bool(added), is_clipped=bool(added and rng.random() < 0.5),
        array=array if has_pv else None, second=second if hard == "second_array" else None,
        battery_wh=1000.0 * float(rng.uniform(4.0, 27.0)) if battery else 0.0,
        battery_w=1000.0 * float(rng.uniform(2.0, 8.0)),
        battery_exports=hard == "battery_export",
        base_w=float(rng.uniform(45.0, 75.0)) if is_vacant else _log(rng, 20.0, 600.0),
        base_tangent=float(rng.uniform(-0.3, 0.6)),
        lights_w=_log(rng, 60.0, 900.0), activity=_log(rng, 0.25, 2.2),
        group_shares=(
            base_balance * bundle, base_balance * (1 - bundle),
            (1 - base_balance) * bundle, (1 - base_balance) * (1 - bundle),
        ),
        line_shares=(balance, 1 - balance), bundle_a_share=bundle,
        big_share=float(rng.uniform(0.1, 0.95)), fridges=0 if is_vacant else int(rng.integers(1, 4)),
        heat_pump_w=_log(rng, 700.0, 5500.0) if rng.random() < 0.7 else 0.0,
        heats_below_c=float(rng.uniform(8.0, 17.0)) if rng.random() < 0.5 else -60.0,
        ev_w=float(rng.choice([1400.0, 3300.0, 7200.0, 9600.0])) if all_night or rng.random() < 0.22 else 0.0,
        ev_at_h=21.0 if all_night else float(rng.choice([18.5, 21.5, 0.5, 10.5])),
        ev_hours=9.0 if all_night else float(rng.uniform(1.0, 4.5)),
        ev_share=0.95 if all_night else float(rng.uniform(0.2, 0.8)),
        pool_w=_log(rng, 400.0, 2000.0) if rng.random() < 0.1 else 0.0,
        wakes_h=float(rng.uniform(5.0, 9.5)), home_by_day=float(rng.uniform(0.0, 0.9)),
        away_share=float(rng.choice([0.0, 0.02, 0.15])),
    )  # fmt: skip
    if is_dealt_anew(wanted):
        values = values_on(
            str(wanted), plan.array, hard, bundle_a_share=bundle, rng=spec.rng(number, "service")
        )
        plan = replace(plan, **values)
    return replace(plan, **dict(wish.values))

"""Loads that follow weather and sun: what a regression on production must not take for production itself.

Own model, no survey. Compressors cycle by a phase that runs with their duty; the house warms by outdoor air and,
an hour or two late, by sun through windows; lamps answer the light within minutes, blinds close against
glare; pool pumps run by day; some tanks and cars take what would be exported. Every home's base has its own
power factor, lagging or leading, and motors are far from 1.
"""

from __future__ import annotations

import numpy as np
from scipy.signal import lfilter

from pipeline.faults.circuit import Float
from pipeline.simulate.connections import drawn_lines
from pipeline.simulate.families import heavy
from pipeline.simulate.families.clouds import Outside
from pipeline.simulate.families.panel import Loads, Panel
from pipeline.simulate.families.people import (
    GRID_MIN,
    Index,
    People,
    draw_people,
    hours,
    put_activities,
    repeat,
)
from pipeline.simulate.families.spec import Area, Home, UnlikeSpec
from pipeline.simulate.sky import smooth_noise

COOLED, HEATED, WINDOW_UNIT, FANS, POOL, SPA = 0.75, 0.55, 0.2, 0.4, 0.22, 0.1
DIVERTER, SUN_CAR = 0.06, 0.25  # of homes with solar; of cars there
BLINDS, DAYLIGHT = 0.25, 0.8
COMFORT_C, FREE_C = (18.5, 24.0), 5.0  # outdoor: cooled above, heated so far below it
BASE_W, VACANT_W = (30.0, 400.0), (15.0, 120.0)
CAR = (3300.0, 5800.0, 7200.0, 9600.0)
EVEN_SHARE, NIGHT_LEG_SHARE = 0.4, 0.12


def draw_loads(
    spec: UnlikeSpec, home: Home, area: Area, *, outside: Outside, pv_w: Float, rng: np.random.Generator
) -> Loads:
    """Return the home's loads.

    Parameters
    ----------
    spec, home, area
        The fleet, the home and where it is.
    outside
        What it is like outside.
    pv_w, rng
        Production that its diverter and its car can follow [W], shape (n,); the home's random numbers.
    """
    local = area.local_minutes(spec.steps)
    panel = _draw_panel(home.service, spec.steps, rng)
    is_vacant = home.hard == "vacant"
    _base(panel, rng.uniform(*VACANT_W) if is_vacant else float(np.exp(rng.uniform(*np.log(BASE_W)))))
    if is_vacant:
        return panel.loads()
    air_c, sun_w = _grid(outside.air_c), _grid(outside.sun_w)
    people = draw_people(rng, local, spec.start.date().toordinal() - 1)
    _climate(panel, people, air_c, sun_w, hours(local))
    for _ in range(int(rng.integers(1, 4))):  # refrigerators, freezers: a kitchen is half as warm as the day
        duty = np.clip(rng.uniform(0.2, 0.4) + 0.012 * (air_c - 18) + 0.08 * sun_w / 1000, 0.1, 0.9)
        tan, watts = float(rng.uniform(0.4, 1.0)), rng.uniform(70, 240)
        panel.put(watts * cycles(rng, duty, rng.uniform(1.5, 4.0)), tan, is_nightly=True)
    _lamps(panel, people, outside.sun_w)
    put_activities(panel, people, local)
    _pool(panel, hours(local), people)
    if rng.random() < 0.4:
        panel.put(heavy.water_heater(rng, repeat(people.is_up), 4500.0), volts=240)
    _car(panel, home, people, local, pv_w)
    if home.roof is not None and rng.random() < DIVERTER:
        most_w = float(rng.choice([1500.0, 3000.0, 4500.0]))
        total_w = panel.total_w
        diverted = surplus(total_w, pv_w, local, most_w=most_w, kwh_a_day=rng.uniform(3, 12), least_w=0.0)
        panel.put(diverted, volts=240)
    return panel.loads()


def cycles(rng: np.random.Generator, duty: Float, most_an_hour: float) -> Float:
    """Return 1 while a thermostat's load runs, a minute, else 0; `duty` [0, 1] on the grid.

    Cycles an hour go with duty x (1 - duty); the phase adds them up, and a cycle runs while its phase is
    below the duty.
    """
    an_hour = most_an_hour * np.clip(4 * duty * (1 - duty), 0.2, 1.0) * rng.uniform(0.75, 1.25, duty.size)
    phase = np.cumsum(repeat(an_hour / 60)) + rng.random()
    return ((phase - np.floor(phase) < repeat(duty)) & (repeat(duty) > 0.03)).astype(np.float64)


def surplus(
    load_w: Float, pv_w: Float, local: Index, *, most_w: float, kwh_a_day: float, least_w: float
) -> Float:
    """Return what follows the export [W], a minute late.

    Parameters
    ----------
    load_w, pv_w
        Of the home [W], shape (n,).
    local
        Local clock [min], shape (n,).
    most_w, least_w
        The most that is taken, and the least that is enough to take any.
    kwh_a_day
        What is taken a day at most.
    """
    spare = np.clip(np.roll(pv_w - load_w, 1) - 60.0, 0.0, most_w)
    spare[0] = 0.0
    taken = np.where(spare >= least_w, spare, 0.0)
    day = local // 1440
    used = np.cumsum(taken) / 60e3
    before = np.r_[0.0, used][np.searchsorted(local, day * 1440)]  # by the day's first minute
    return np.where(used - before <= kwh_a_day, taken, 0.0)


def _grid(values: Float) -> Float:
    mean: Float = values.reshape(-1, GRID_MIN).mean(axis=1)
    return mean


def _draw_panel(service: str, steps: int, rng: np.random.Generator) -> Panel:
    """Return a home's panel: many lean far to one leg; in some everything that lives at night is on one."""
    is_even = rng.random() < EVEN_SHARE
    lean = float(rng.uniform(0.35, 0.65) if is_even else rng.uniform(0.1, 0.9))
    bundle_lean = float(rng.uniform(0.25, 0.75))
    night_leg = int(rng.integers(1, drawn_lines(service) + 1)) if rng.random() < NIGHT_LEG_SHARE else 0
    return Panel(steps, rng, lean=lean, bundle_lean=bundle_lean, night_leg=night_leg, service=service)


def _base(panel: Panel, watts: float) -> None:
    """Add what is always on, in a few circuits of their own power factor."""
    rng = panel.rng
    for share in rng.dirichlet(np.ones(int(rng.integers(1, 5)))):
        factor, is_leading = rng.uniform(0.5, 1.0), rng.random() < 0.45
        tan = float(np.sqrt(1 / factor**2 - 1)) * (-1 if is_leading else 1)
        panel.put(float(watts * share), tan, is_nightly=True)


def _climate(panel: Panel, people: People, air_c: Float, sun_w: Float, hour: Float) -> None:
    """Add cooling and heating: the house's need is outdoor air, and sun through windows late."""
    rng = panel.rng
    lag = float(np.exp(-GRID_MIN / rng.uniform(30, 180)))
    gained = lfilter([1 - lag], [1.0, -lag], sun_w) / 1000
    comfort = rng.uniform(*COMFORT_C) - rng.uniform(0, 3.5) * gained - 2.0 * (people.is_up - 0.5)
    hot, cold = air_c - comfort, comfort - FREE_C - air_c
    a_degree = rng.uniform(0.04, 0.1)
    # whoever sizes a heater thinks of the coldest night, here the window's
    full_c = max(rng.uniform(14, 30), rng.uniform(0.95, 1.4) * float(cold.max()))
    cool, heat = np.clip(a_degree * hot, 0.0, 1.0), np.clip(cold / full_c, 0.0, 1.0)
    cooled, heated = rng.random() < COOLED, rng.random() < HEATED
    need = cool * cooled + heat * heated
    if cooled or heated:
        watts, tan = rng.uniform(1500, 5000), float(rng.uniform(0.3, 0.75))
        if rng.random() < 0.35:  # a compressor of variable speed: as much as is needed, no cycles
            run = repeat(np.where(need > 0.05, np.maximum(need, 0.15), 0.0))
            run = run * (1 + 0.03 * smooth_noise(rng, run.size, 10.0))
            panel.put(watts * run, tan * 0.3, volts=240)
        else:
            run = cycles(rng, need, rng.uniform(2.0, 5.0))
            panel.put(watts * run * repeat(1 + 0.012 * (air_c - 25)).clip(0.7, 1.4), tan, volts=240)
        fan_w = np.where(run > 0, rng.uniform(120, 600), 0.0)  # indoors
        panel.put(fan_w, float(rng.uniform(0.3, 0.9)))
    if not heated and rng.random() < 0.4:  # resistances along the walls, warmer by evening and night
        duty = np.clip(heat * np.where((hour > 8) & (hour < 16), 0.75, 1.1), 0.0, 1.0)
        volts, most_w = (240, 6000) if rng.random() < 0.7 else (120, 1800)
        panel.put(rng.uniform(1500, most_w) * cycles(rng, duty, 6.0), volts=volts)
    if not cooled and rng.random() < WINDOW_UNIT / (1 - COOLED):
        panel.put(rng.uniform(500, 1300) * cycles(rng, cool, 5.0), float(rng.uniform(0.4, 0.8)))
    if rng.random() < FANS:  # fans, an evaporative cooler: a step by step motor on one leg
        speed = np.round(3 * np.clip(1.5 * cool, 0.0, 1.0)) / 3
        panel.put(repeat(speed * people.is_in) * rng.uniform(60, 700), float(rng.uniform(0.4, 1.1)))


def _lamps(panel: Panel, people: People, sun_w: Float) -> None:
    """Add circuits of lamps: darkness lights them within minutes, closed blinds too."""
    rng = panel.rng
    is_up = repeat(people.is_up)
    answers, has_blinds = rng.random() < DAYLIGHT, rng.random() < BLINDS
    late = np.roll(sun_w, int(rng.integers(1, 5)))
    for _ in range(int(rng.integers(1, 4))):
        enough = rng.uniform(60, 350) if answers else 40.0
        lit = np.round(3 * np.clip((enough - late) / (0.4 * enough), 0.0, 1.0)) / 3
        if has_blinds:
            lit += 0.7 * (late > rng.uniform(450, 750))
        panel.put(is_up * lit * rng.uniform(15, 130), float(rng.uniform(-0.6, 0.3)), is_nightly=True)


def _pool(panel: Panel, hour: Float, people: People) -> None:
    rng = panel.rng
    if rng.random() < POOL:
        begins, lasts = rng.uniform(7, 12), rng.uniform(3, 10)
        speed = np.ones(hour.size)
        if rng.random() < 0.4:  # fast for the first hours, slow for the rest
            speed = np.where(hour < begins + lasts / 3, 1.0, rng.uniform(0.15, 0.4))
        on = speed * (hour >= begins) * (hour < begins + lasts)
        watts, tan = repeat(on) * rng.uniform(500, 2200), float(rng.uniform(0.5, 1.2))
        panel.put(watts, tan, 240 if rng.random() < 0.75 else 120)
    if rng.random() < SPA:
        wanted = np.where((hour > 17) & (hour < 22.5) & (people.is_in > 0), 0.6, 0.08)
        panel.put(rng.uniform(1500, 6000) * cycles(rng, wanted, 2.0), volts=240)


def _car(panel: Panel, home: Home, people: People, local: Index, pv_w: Float) -> None:
    rng = panel.rng
    if home.hard == "ev_all_night":
        charger_w, volts = heavy.draw_slow_charger(rng)
        panel.put(heavy.car_all_night(rng, local, charger_w), volts=volts)
    elif home.has_ev:
        charger_w, is_there = float(rng.choice(CAR)), repeat(people.is_in)
        if home.roof is not None and rng.random() < SUN_CAR:
            load_w, kwh_a_day = panel.total_w, rng.uniform(5, 25)
            taken = surplus(
                load_w, pv_w * is_there, local, most_w=charger_w, kwh_a_day=kwh_a_day, least_w=1400.0
            )
            panel.put(np.round(taken / 240) * 240, volts=240)  # by whole amperes
        else:
            panel.put(heavy.car(rng, is_there, local, charger_w=charger_w), volts=240)

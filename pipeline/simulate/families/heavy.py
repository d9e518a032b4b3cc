"""North American loads that CREST doesn't have, driven by its occupants: tank, heat pump, car.

Own small models. A storage water heater is a thermostat on a tank that occupants draw from; a heat pump
cycles so that its duty follows the outdoor temperature (cycles an hour go with duty x (1 - duty), the
usual thermostat law); a car is plugged in when somebody comes home and not every day.
All powers are [W] at one minute, shape (n,).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Float = NDArray[np.float64]
Bool = NDArray[np.bool_]

DRAW_A_MIN = 0.0035  # hot-water draws a minute and active occupant
DRAW_KWH = 0.55  # mean heat of a draw
TANK_LOSS_W = 55.0
TANK_BAND_KWH = (0.5, 1.6)  # heat below full at which the element comes on
CYCLES_PER_H = 3.0  # a thermostat's most cycles an hour, at duty 1/2
LONGEST_MIN = 600  # a run of the element is looked ahead this far
BALANCE_C, COMFORT_C = 15.0, 22.5  # outdoor: heats below, cools above


def water_heater(rng: np.random.Generator, occupants: Float, element_w: float) -> Float:
    """Return what the element takes as occupants draw hot water."""
    steps = occupants.shape[0]
    draws = (rng.random(steps) < DRAW_A_MIN * occupants) * rng.exponential(DRAW_KWH, steps)
    used_kwh = np.cumsum(draws + TANK_LOSS_W / 60e3)
    power = np.zeros(steps)
    band, step_kwh = rng.uniform(*TANK_BAND_KWH), element_w / 60e3
    served, at = float(-rng.uniform(0, band)), 0
    while True:
        at = max(int(np.searchsorted(used_kwh, served + band)), at)
        if at >= steps:
            return power
        ahead = used_kwh[at : at + LONGEST_MIN]
        full = np.flatnonzero(ahead <= served + step_kwh * np.arange(1, ahead.size + 1))
        length = int(full[0]) + 1 if full.size else ahead.size
        power[at : at + length] = element_w
        served += step_kwh * length
        at += length + 1


def heat_pump(rng: np.random.Generator, air_c: Float, rated_w: float) -> Float:
    """Return a compressor's cycles: its duty rises as it gets colder or hotter outside."""
    steps = air_c.shape[0]
    size = rng.uniform(0.03, 0.06)  # duty a degree
    heating, cooling = BALANCE_C - air_c, air_c - COMFORT_C
    duty = np.clip(size * np.maximum(heating, cooling), 0.0, 1.0)
    power = np.zeros(steps)
    at = int(rng.integers(20))
    while at < steps:
        share = float(duty[at])
        if share < 0.04:
            at += 15
            continue
        period = 60 / (CYCLES_PER_H * max(4 * share * (1 - share), 0.25))
        length = max(4, round(period * share * rng.uniform(0.8, 1.2)))
        power[at : at + length] = rated_w * (1 + 0.012 * (air_c[at] - 25)) * rng.uniform(0.97, 1.03)
        at += length + max(4, round(period * (1 - share) * rng.uniform(0.8, 1.2)))
    return np.clip(power, 0.0, 1.5 * rated_w)


def car(rng: np.random.Generator, occupants: Float, local_min: NDArray[np.int64], charger_w: float) -> Float:
    """Return a car's charging: on some days, from coming home (or from a timer at night), for hours."""
    power = np.zeros(occupants.shape[0])
    habit, has_timer = rng.uniform(0.35, 0.9), rng.random() < 0.35
    for day in np.unique(local_min // 1440):
        if rng.random() > habit:
            continue
        hour = 24.0 + rng.uniform(-1, 1) if has_timer else rng.uniform(15.5, 19.0)
        first = int(np.searchsorted(local_min, day * 1440 + round(60 * hour)))
        home = np.flatnonzero(occupants[first:] > 0)
        if not has_timer and home.size:
            first += int(home[0])
        length = max(10, round(rng.lognormal(np.log(9_000.0 / charger_w * 60), 0.5)))
        power[first : first + length] = charger_w
        tail = max(2, length // 12)
        end = power[first + length : first + length + tail]
        end[:] = charger_w * np.linspace(0.8, 0.25, tail)[: end.size]
    return power


def car_all_night(rng: np.random.Generator, local_min: NDArray[np.int64], charger_w: float) -> Float:
    """Return a slow charger that runs from evening to morning, every night."""
    hour = (local_min % 1440) / 60
    begins, ends = rng.uniform(18.5, 21.5), rng.uniform(5.0, 7.5)
    on: Bool = (hour >= begins) | (hour < ends)
    return np.where(on, charger_w * (1 + 0.01 * rng.normal(size=hour.size)), 0.0)


def battery(
    rng: np.random.Generator, net_w: Float, hour: Float, most_w: float, kwh: float, exports: bool
) -> Float:
    """Return a battery's power [W], positive discharging, in steps of five minutes.

    `net_w` is load minus production. It charges from surplus and covers the home's need within its rating;
    one that `exports` sells a fixed power in the evening or at night instead, into whatever the home needs.
    """
    five = net_w.reshape(-1, 5).mean(axis=1)
    clock = hour.reshape(-1, 5).mean(axis=1)
    opens, power = rng.uniform(17, 23), np.zeros(five.shape[0])
    sale = most_w * rng.uniform(0.5, 1.0)
    held, reserve = 0.5 * kwh, 0.1 * kwh
    for at, need_w in enumerate(five.tolist()):
        wish = need_w
        if exports:
            wish = sale if (clock[at] - opens) % 24 < 3.5 else min(need_w, 0.0)
        wish = min(max(wish, -most_w), most_w)
        give = (
            min(wish, max(held - reserve, 0.0) * 12e3) if wish > 0 else max(wish, -(kwh - held) * 12e3 / 0.9)
        )
        held -= give / 12e3 if give > 0 else give / 12e3 * 0.9
        power[at] = give
    return np.repeat(power, 5)

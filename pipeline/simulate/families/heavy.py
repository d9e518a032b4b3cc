"""Large loads and batteries: tank, heat pump and car, driven by occupants and weather.

Own small models, for what the measured and the CREST households lack. A storage water heater is a thermostat on a
tank that occupants draw from; a heat pump cycles so that its duty follows the outdoor temperature (cycles an hour
go with duty x (1 - duty), the usual thermostat law); a car is plugged in when somebody comes home and not every day.
All powers are [W] at one minute, shape (n,).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from pipeline.faults.circuit import Float

DRAW_A_MIN = 0.0035  # hot-water draws a minute and active occupant
DRAW_KWH = 0.55  # mean heat of a draw
TANK_LOSS_W = 55.0
TANK_BAND_KWH = (0.5, 1.6)  # heat below full at which the element comes on
CYCLES_PER_H = 3.0  # a thermostat's most cycles an hour, at duty 1/2
LONGEST_MIN = 600  # a run of the element is looked ahead this far
BALANCE_C, COMFORT_C = 15.0, 22.5  # outdoor: heats below, cools above
SLOW_CHARGERS_W = (1400.0, 3300.0, 5800.0)
PEAK_H, CHEAP_H = (16.0, 21.0), (0.5, 5.0)  # local hours of a tariff


def water_heater(rng: np.random.Generator, occupants: Float, element_w: float) -> Float:
    """Return what the element takes as occupants draw hot water."""
    steps = occupants.shape[0]
    draws = (rng.random(steps) < DRAW_A_MIN * occupants) * rng.exponential(DRAW_KWH, steps)
    used_kwh = np.cumsum(draws + TANK_LOSS_W / 60e3)
    power = np.zeros(steps)
    band, step_kwh = rng.uniform(*TANK_BAND_KWH), element_w / 60e3
    heated_kwh, start = float(-rng.uniform(0, band)), 0
    while True:
        start = max(int(np.searchsorted(used_kwh, heated_kwh + band)), start)
        if start >= steps:
            return power
        ahead = used_kwh[start : start + LONGEST_MIN]
        full = np.flatnonzero(ahead <= heated_kwh + step_kwh * np.arange(1, ahead.size + 1))
        length = int(full[0]) + 1 if full.size else ahead.size
        power[start : start + length] = element_w
        heated_kwh += step_kwh * length
        start += length + 1


def heat_pump(rng: np.random.Generator, air_c: Float, rated_w: float) -> Float:
    """Return a compressor's cycles: its duty rises as it gets colder or hotter outside."""
    steps = air_c.shape[0]
    size = rng.uniform(0.03, 0.06)  # duty a degree
    heating, cooling = BALANCE_C - air_c, air_c - COMFORT_C
    duty = np.clip(size * np.maximum(heating, cooling), 0.0, 1.0)
    power = np.zeros(steps)
    start = int(rng.integers(20))
    while start < steps:
        share = float(duty[start])
        if share < 0.04:
            start += 15
            continue
        period = 60 / (CYCLES_PER_H * max(4 * share * (1 - share), 0.25))
        length = max(4, round(period * share * rng.uniform(0.8, 1.2)))
        size_w = rated_w * (1 + 0.012 * (air_c[start] - 25))
        power[start : start + length] = size_w * rng.uniform(0.97, 1.03)
        start += length + max(4, round(period * (1 - share) * rng.uniform(0.8, 1.2)))
    return np.clip(power, 0.0, 1.5 * rated_w)


def car(
    rng: np.random.Generator, occupants: Float, local_min: NDArray[np.int64], *, charger_w: float
) -> Float:
    """Return a car's charging: on some days, from coming home (or from a timer at night), for hours.

    Parameters
    ----------
    rng, occupants
        The home's random numbers; how many are at home a minute, shape (n,).
    local_min
        Local clock a minute, by `Area.local_minutes`, shape (n,).
    charger_w
        What the charger takes.
    """
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
    on = (hour >= begins) | (hour < ends)
    return np.where(on, charger_w * (1 + 0.01 * rng.normal(size=hour.size)), 0.0)


def draw_slow_charger(rng: np.random.Generator) -> tuple[float, int]:
    """Return a slow charger's power [W] and volts; the slowest hang on an outlet."""
    charger_w = float(rng.choice(SLOW_CHARGERS_W))
    return charger_w, 120 if charger_w < 2000 else 240


def battery(
    rng: np.random.Generator, net_w: Float, hour: Float, *, most_w: float, kwh: float, exports: bool
) -> Float:
    """Return a battery's power [W], positive discharging, in steps of five minutes.

    It charges from surplus and covers the home's need within its rating; one that `exports` sells a fixed power in
    the evening or at night instead, into whatever the home needs.

    Parameters
    ----------
    rng, net_w, hour
        The home's random numbers; load minus production [W] and local hour a minute, shape (n,).
    most_w, kwh
        Rating and what it stores.
    exports
        Whether it sells.
    """
    need_w, clock_h = (values.reshape(-1, 5).mean(axis=1) for values in (net_w, hour))
    opens_h, sale_w = rng.uniform(17, 23), most_w * rng.uniform(0.5, 1.0)
    wish_w = need_w
    if exports:
        wish_w = np.where((clock_h - opens_h) % 24 < 3.5, sale_w, np.minimum(need_w, 0.0))
    wish_w = np.clip(wish_w, -most_w, most_w)
    return np.repeat(_limit_to_store(wish_w, kwh, stored_kwh=0.5 * kwh, reserve_kwh=0.1 * kwh), 5)


def tariff_battery(
    rng: np.random.Generator, net_w: Float, hour: Float, *, most_w: float, kwh: float, by_tariff: bool
) -> Float:
    """Return a battery's power [W], positive discharging, in steps of five minutes.

    It stores surplus and covers the home's need above a reserve.

    Parameters
    ----------
    rng, net_w, hour
        The home's random numbers; load minus production [W] and local hour a minute, shape (n,).
    most_w, kwh
        Rating and what it stores.
    by_tariff
        Whether it gives only in dear hours, and in some homes fills up from the grid in cheap ones.
    """
    need_w, clock_h = (values.reshape(-1, 5).mean(axis=1) for values in (net_w, hour))
    reserve_kwh, fills = rng.uniform(0.1, 0.5) * kwh, rng.random() < 0.5
    share = rng.uniform(0.85, 1.0)  # of the need that it covers: its own meter is not exact
    wish_w = np.clip(np.where(need_w > 0, share * need_w, need_w), -most_w, most_w)
    if by_tariff:
        is_dear = (clock_h >= PEAK_H[0]) & (clock_h < PEAK_H[1])
        is_cheap = (clock_h >= CHEAP_H[0]) & (clock_h < CHEAP_H[1])
        wish_w = np.where(is_dear, wish_w, np.minimum(wish_w, 0.0))
        if fills:
            wish_w = np.where(is_cheap, -0.6 * most_w, wish_w)
    stored_kwh = rng.uniform(0.3, 0.9) * kwh
    return np.repeat(_limit_to_store(wish_w, kwh, stored_kwh=stored_kwh, reserve_kwh=reserve_kwh), 5)


def _limit_to_store(wish_w: Float, kwh: float, stored_kwh: float, reserve_kwh: float) -> Float:
    """Return what a battery gives of the power wished for in each five minutes: a tenth is lost in charging."""
    power_w = np.zeros(wish_w.size)
    for step, wish in enumerate(wish_w.tolist()):
        if wish > 0:
            given = min(wish, max(stored_kwh - reserve_kwh, 0.0) * 12e3)
        else:
            given = max(wish, (stored_kwh - kwh) * 12e3 / 0.9)
        stored_kwh -= given / 12e3 if given > 0 else given / 12e3 * 0.9
        power_w[step] = given
    return power_w

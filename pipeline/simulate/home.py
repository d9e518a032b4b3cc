"""A home over time: its loads, sources and voltages as a circuit, and its wiring before any fault."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np

from pipeline.faults.circuit import LEG_2_DEG, Circuit, Float
from pipeline.faults.clamps import Wiring
from pipeline.simulate.loads import household
from pipeline.simulate.plain import plain_household, plain_solar_w
from pipeline.simulate.plan import HomePlan, draw_plan
from pipeline.simulate.sky import area_sky, array_w, sun, temperature_c, wander
from pipeline.simulate.spec import FleetSpec, Window, Wish

BATTERY_STEP_MIN = 15  # the battery's controller decides this often
IMPORT_KEPT_W = 25.0  # and leaves this much to the utility, lest it export by mistake


@dataclass(frozen=True)
class CleanHome:
    """A home without fault: its plan, circuit, sound wiring, and sources [W] per fine step.

    `battery_w` is positive discharging; `unmonitored_w` is an array nobody knows of.
    """

    spec: FleetSpec
    plan: HomePlan
    circuit: Circuit
    wiring: Wiring
    pv_w: Float
    battery_w: Float
    unmonitored_w: Float

    @property
    def net_w(self) -> Float:
        """What the utility's meter sees: load - solar - battery [W], positive importing."""
        load_1, load_2 = self.circuit.load_va
        net: Float = (load_1 + load_2).real - self.pv_w - self.battery_w - self.unmonitored_w
        return net


@lru_cache(maxsize=256)
def utc_offsets_h(timezone: str, start: date, days: int) -> Float:
    """Return local time minus UTC [h] for each UTC hour of the window."""
    zone = ZoneInfo(timezone)
    first = datetime.combine(start, datetime.min.time(), tzinfo=ZoneInfo("UTC"))
    shifts = []
    for hour in range(days * 24):
        offset = (first + timedelta(hours=hour)).astimezone(zone).utcoffset()
        shifts.append(offset.total_seconds() / 3600.0 if offset else 0.0)
    return np.array(shifts)


def local_hour(window: Window, timezone: str) -> Float:
    """Return the clock's hour of day [h] at each step, daylight-saving days included."""
    utc = np.arange(window.size) * (window.step / 60.0)
    shift = np.repeat(utc_offsets_h(timezone, window.start, window.days), 60 // window.step)
    out: Float = (utc + shift) % 24.0
    return out


def _outage(power: Float, plan: HomePlan, rng: np.random.Generator) -> Float:
    """Take production away for an outage or under snow."""
    if plan.hard not in ("pv_outage", "snow"):
        return power
    days = plan.window.days
    is_all = plan.hard == "pv_outage" and rng.random() < 0.6
    first = 0 if is_all else int(rng.integers(0, max(1, days // 2)))
    length = days if is_all else int(rng.integers(max(1, days // 3), days + 1))
    per_day = plan.window.size // days
    share = np.ones(days)
    share[first : first + length] = 0.0 if plan.hard == "pv_outage" else rng.uniform(0.0, 0.05)
    return power * np.repeat(share, per_day)


def _battery(plan: HomePlan, load_w: Float, pv_w: Float, hour: Float) -> Float:
    """Return the battery's power [W]: it soaks up surplus and serves the evening, or exports then."""
    if not plan.battery_wh:
        return np.zeros(load_w.size)
    steps = max(1, BATTERY_STEP_MIN // plan.window.step)
    surplus = (pv_w - load_w).reshape(-1, steps).mean(axis=1)
    hours = hour[::steps].tolist()
    share = steps * plan.window.step / 60.0
    held, out = 0.5 * plan.battery_wh, []
    for at, extra in enumerate(surplus.tolist()):
        if extra > 0:
            power = -min(extra, plan.battery_w, (plan.battery_wh - held) / share / 0.94)
            held -= 0.94 * power * share
        else:
            selling = plan.battery_exports and (hours[at] >= 17.0 or hours[at] < 2.0)
            wanted = plan.battery_w if selling else max(-extra - IMPORT_KEPT_W, 0.0)
            power = min(wanted, plan.battery_w, max(held - 0.1 * plan.battery_wh, 0.0) / share)
            held -= power * share
        out.append(power)
    # Between decisions it follows the load, as far as its limits go; here it holds.
    return np.repeat(np.array(out), steps)


def _voltages(
    plan: HomePlan, load_1: Float, load_2: Float, source_1: Float, source_2: Float, rng: np.random.Generator
) -> tuple[Float, Float]:
    """Return the legs' voltages [V]: the feeder's movement, and each leg's sag under its current."""
    size, step = plan.window.size, plan.window.step
    nominal = plan.volts
    feeder = nominal * (1.0 + rng.normal(0.01, 0.012) + 0.006 * wander(rng, size, 600.0 / step))
    feeder += nominal * 0.002 * wander(rng, size, 15.0 / step)
    resistance = float(rng.uniform(0.008, 0.05))
    neutral = (
        float(rng.uniform(0.25, 0.8)) if plan.hard == "loose_neutral" else float(rng.uniform(0.005, 0.04))
    )
    current_1, current_2 = (load_1 - source_1) / nominal, (load_2 - source_2) / nominal
    if plan.service == "single":
        return np.clip(feeder - resistance * current_1, 0.8 * nominal, 1.2 * nominal), np.zeros(size)
    between = neutral * (current_1 - current_2)
    v1 = feeder - resistance * current_1 - between
    v2 = feeder - resistance * current_2 + between
    return np.clip(v1, 70.0, 170.0), np.clip(v2, 70.0, 170.0)


def clean_home(spec: FleetSpec, number: int, wish: Wish | None = None) -> CleanHome:
    """Return home `number` of the fleet without its fault; the same for the same spec and number."""
    plan = draw_plan(spec, number, wish)
    rng, window = spec.rng(number, "series"), plan.window
    hour = local_hour(window, plan.timezone)
    clearness, weather = area_sky(spec.seed, plan.area, window.start, window.days, window.step)
    local = np.clip(clearness + 0.08 * wander(rng, window.size, 10.0 / window.step), 0.02, 1.0)
    sine, azimuth = sun(window, plan.latitude, plan.longitude)
    solar_hour = np.arange(window.size, dtype=np.float64) * (window.step / 60.0) + plan.longitude / 15.0
    outdoor_c = temperature_c(window, plan.latitude, solar_hour, weather)
    pv_w, unmonitored_w = np.zeros(window.size), np.zeros(window.size)
    if plan.array:
        plain_w = plain_solar_w(plan, sine, rng) if plan.is_plain else None
        whole_w = array_w(plan.array, sine, azimuth, local, outdoor_c) if plain_w is None else plain_w
        pv_w = _outage(whole_w, plan, rng)
    if plan.second:
        unmonitored_w = array_w(plan.second, sine, azimuth, local, outdoor_c)
    if plan.is_plain:
        loads = plain_household(plan, hour, rng)
    else:
        loads = household(plan, window, hour, outdoor_c, plan.volts, rng)
    total = loads.real.sum(axis=0)
    battery_w = _battery(plan, total, pv_w, hour)
    load_1, load_2 = loads[0] + loads[1], loads[2] + loads[3]
    others = battery_w + unmonitored_w
    split = {"both": (0.5, 0.5), "l1": (1.0, 0.0), "l2": (0.0, 1.0)}[plan.pv_leg]
    if plan.service == "single":
        load_1, load_2, split = load_1 + load_2, 0.0 * load_2, (1.0, 0.0)
    v1, v2 = _voltages(
        plan, load_1.real, load_2.real, split[0] * pv_w + others / 2, split[1] * pv_w + others / 2, rng
    )
    circuit = Circuit.from_powers(
        load_1, load_2, pv_w, others, v1, v2, plan.service, minutes=float(window.step), pv_leg=plan.pv_leg
    )
    if plan.service == "single":
        a = np.conj((loads[0] + loads[2]) / circuit.v1)
        circuit = replace(circuit, load_1a=a, load_1b=np.conj(load_1 / circuit.v1) - a)
    else:
        volt_2 = v2 * np.exp(1j * np.deg2rad(LEG_2_DEG[plan.service]))
        parts = [np.conj(load / volt) for load, volt in zip(loads, (v1, v1, volt_2, volt_2), strict=True)]
        circuit = replace(circuit, load_1a=parts[0], load_1b=parts[1], load_2a=parts[2], load_2b=parts[3])
    wiring = Wiring.sound(
        plan.service, plan.sees_pv, plan.cts_per_leg, plan.production_by, plan.production_leg,
        plan.pv_leg, plan.pv_added_back, plan.is_clipped,
    )  # fmt: skip
    return CleanHome(spec, plan, circuit, wiring, pv_w, battery_w, unmonitored_w)

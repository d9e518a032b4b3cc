"""A home over time: its loads, sources and voltages as a circuit, and its wiring before any fault."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np

from pipeline.faults.circuit import Circuit, Complex, Float, numbers_of
from pipeline.faults.cts import Wiring
from pipeline.simulate.connections import home_circuit, merge_lines
from pipeline.simulate.line_voltages import three_line_volts, two_leg_volts
from pipeline.simulate.loads import household_va, plain_household_va
from pipeline.simulate.plan import HomePlan, draw_plan
from pipeline.simulate.sky import area_sky, array_w, plain_array_w, sun, temperature_c, wander
from pipeline.simulate.spec import FleetSpec, Wish

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
        load_w: Float = self.circuit.load_va.sum(axis=0).real
        return load_w - self.pv_w - self.battery_w - self.unmonitored_w


def _outage_share(plan: HomePlan, rng: np.random.Generator) -> Float | float:
    """Return the share of production that an outage or snow leaves."""
    if plan.hard not in ("pv_outage", "snow"):
        return 1.0
    days = plan.window.days
    is_all = plan.hard == "pv_outage" and rng.random() < 0.6
    first = 0 if is_all else int(rng.integers(0, max(1, days // 2)))
    length = days if is_all else int(rng.integers(max(1, days // 3), days + 1))
    share = np.ones(days)
    share[first : first + length] = 0.0 if plan.hard == "pv_outage" else rng.uniform(0.0, 0.05)
    return np.repeat(share, plan.window.size // days)


def _battery_w(plan: HomePlan, load_w: Float, pv_w: Float, hour: Float) -> Float:
    """Return the battery's power [W]: it soaks up surplus and serves the evening, or exports then."""
    if not plan.battery_wh:
        return np.zeros(load_w.size)
    steps = max(1, BATTERY_STEP_MIN // plan.window.step)
    surplus = (pv_w - load_w).reshape(-1, steps).mean(axis=1)
    step_h = steps * plan.window.step / 60.0
    stored_wh, powers_w = 0.5 * plan.battery_wh, []
    for extra_w, clock_h in zip(surplus.tolist(), hour[::steps].tolist(), strict=True):
        if extra_w > 0:
            power_w = -min(extra_w, plan.battery_w, (plan.battery_wh - stored_wh) / step_h / 0.94)
            stored_wh -= 0.94 * power_w * step_h
        else:
            is_selling = plan.battery_exports and (clock_h >= 17.0 or clock_h < 2.0)
            wanted_w = plan.battery_w if is_selling else max(-extra_w - IMPORT_KEPT_W, 0.0)
            power_w = min(wanted_w, plan.battery_w, max(stored_wh - 0.1 * plan.battery_wh, 0.0) / step_h)
            stored_wh -= power_w * step_h
        powers_w.append(power_w)
    # Between decisions it follows the load, as far as its limits go; here it holds.
    return np.repeat(np.array(powers_w), steps)


def clean_home(spec: FleetSpec, number: int, wish: Wish | None = None) -> CleanHome:
    """Return home `number` of the fleet without its fault; the same for the same spec and number."""
    plan = draw_plan(spec, number, wish)
    rng, window = spec.rng(number, "series"), plan.window
    hour = window.local_hour(plan.timezone)
    clearness, weather = area_sky(spec.seed, plan.area, window)
    local = np.clip(clearness + 0.08 * wander(rng, window.size, 10.0 / window.step), 0.02, 1.0)
    sine, azimuth = sun(window, plan.latitude, plan.longitude)
    outdoor_c = temperature_c(window, plan.latitude, plan.longitude, weather=weather)
    pv_w, unmonitored_w = np.zeros(window.size), np.zeros(window.size)
    if plan.array:
        if plan.is_plain:
            pv_w = plain_array_w(plan.array, sine, window.days, rng=rng)
        else:
            pv_w = array_w(plan.array, sine, azimuth, clearness=local, outdoor_c=outdoor_c)
        pv_w = pv_w * _outage_share(plan, rng)
    if plan.second:
        unmonitored_w = array_w(plan.second, sine, azimuth, clearness=local, outdoor_c=outdoor_c)
    loads = plain_household_va(plan, rng) if plan.is_plain else household_va(plan, outdoor_c, rng)
    battery_w = _battery_w(plan, loads.reshape(-1, window.size).real.sum(axis=0), pv_w, hour)
    circuit = _circuit(plan, loads, pv_w, battery_w, unmonitored_w, rng)
    wiring = Wiring.sound(
        plan.service, plan.sees_pv, plan.cts_per_leg, production_by=plan.production_by,
        production_leg=plan.production_leg, pv_lines=plan.pv_lines, pv_added_back=plan.pv_added_back,
        is_clipped=plan.is_clipped, is_summed=plan.is_summed,
    )  # fmt: skip
    return CleanHome(spec, plan, circuit, wiring, pv_w, battery_w, unmonitored_w)


def _circuit(
    plan: HomePlan, loads: Complex, pv_w: Float, battery_w: Float, other_w: Float, rng: np.random.Generator
) -> Circuit:
    """Return the home's circuit under its own voltages.

    Parameters
    ----------
    plan
        The home.
    loads
        Of each line's bundles [W + j var], shape (lines drawn, 2, n).
    pv_w, battery_w, other_w
        What inverter, battery and an array that nobody monitors feed [W], shape (n,).
    rng
        Of the home.
    """
    by_line = merge_lines(plan.service, loads)
    build = partial(
        home_circuit, by_line, pv_w, battery_w=battery_w, other_w=other_w, service=plan.service,
        minutes=float(plan.window.step), pv_lines=plan.pv_lines,
    )  # fmt: skip
    if len(by_line) == 3:
        nominal = build(volts=plan.volts)
        return build(volts=three_line_volts(plan, nominal.load_va - nominal.source_va, rng))
    fed = numbers_of(plan.pv_lines, plan.service)
    shares = [(line in fed) / len(fed) for line in range(len(by_line))]
    source_w = np.array([share * pv_w + (battery_w + other_w) / 2 for share in shares])
    load_w = merge_lines(plan.service, loads.sum(axis=1)).real
    return build(volts=two_leg_volts(plan, load_w, source_w, rng=rng))

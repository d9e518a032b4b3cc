"""Homes drawn with a broad brush: smooth daily curves and white noise instead of appliances and clouds.

Fleets of other makers look like this; a classifier that has seen only detailed homes would be lost there.
"""

from __future__ import annotations

import numpy as np

from pipeline.faults.circuit import Complex, Float
from pipeline.simulate.plan import HomePlan


def plain_household(plan: HomePlan, hour: Float, rng: np.random.Generator) -> Complex:
    """Return the load of (leg 1 a, leg 1 b, leg 2 a, leg 2 b) [W + j var], shape (4, n)."""
    evening = np.exp(-0.5 * (((hour - 19.0 + 12.0) % 24.0 - 12.0) / 2.5) ** 2)
    morning = np.exp(-0.5 * (((hour - plan.wakes_h - 0.5 + 12.0) % 24.0 - 12.0) / 1.5) ** 2)
    shape = plan.base_w + (0.0 if plan.is_vacant else plan.lights_w * plan.activity) * (
        evening + 0.6 * morning
    )
    spread = float(rng.uniform(0.02, 0.5))
    loads = np.empty((4, hour.size), dtype=np.complex128)
    for at, share in enumerate(plan.group_shares):
        noise = rng.gamma(1.0 / spread**2, spread**2, hour.size)
        loads[at] = share * shape * noise * (1.0 + 1j * plan.base_tangent)
    if plan.is_vacant:
        return loads
    # Blocks between the legs (a water heater, a compressor) and spikes on one leg at a time.
    big_w = plan.heat_pump_w * (rng.random(hour.size) < rng.uniform(0.01, 0.25))
    if plan.ev_w:
        big_w = big_w + plan.ev_w * (((hour - plan.ev_at_h) % 24.0) < plan.ev_hours)
    at = 0 if plan.bundle_a_share > 0.5 else 1
    loads[at] += big_w / 2
    loads[at + 2] += big_w / 2
    for group in range(4):
        loads[group] += 1400.0 * rng.random(hour.size) * (rng.random(hour.size) < 0.012 * plan.activity)
    return loads


def plain_solar_w(plan: HomePlan, sine: Float, rng: np.random.Generator) -> Float:
    """Return production [W]: the sun's height times a daily factor and white noise, cut at the inverter."""
    if not plan.array:
        return np.zeros(sine.size)
    days = plan.window.days
    daily = np.repeat(rng.uniform(0.25, 1.0, days), sine.size // days)
    flicker = np.clip(1.0 + rng.normal(0.0, rng.uniform(0.03, 0.3), sine.size), 0.05, 1.3)
    power = plan.array.dc_w * np.maximum(sine, 0.0) ** 1.1 * daily * flicker
    out: Float = np.minimum(power, plan.array.ac_w)
    return out

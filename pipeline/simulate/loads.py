"""What a home's loads draw: each has a kind, a leg (or both at once), a bundle and a power factor.

Loads come as pulses (start, length, power) placed exactly on the fine steps, or as series.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from pipeline.faults.circuit import Complex, Float, line_to_line_va
from pipeline.simulate.plan import HomePlan
from pipeline.simulate.sky import wander
from pipeline.simulate.spec import Window

# (per day at full occupancy, minutes, watts, power factor, cycles of the pulse)
APPLIANCES = {
    "kettle": (3.0, 4.0, 1400.0, 1.0, 1),
    "microwave": (3.0, 4.0, 1250.0, 0.92, 1),
    "toaster": (1.0, 4.0, 900.0, 1.0, 1),
    "hair_dryer": (0.8, 8.0, 1500.0, 0.99, 1),
    "vacuum": (0.3, 25.0, 1000.0, 0.95, 1),
    "dishwasher": (0.7, 18.0, 1200.0, 0.99, 3),
    "washer": (0.6, 10.0, 420.0, 0.65, 4),
    "television": (1.6, 110.0, 140.0, 0.93, 1),
    "space_heater": (0.2, 120.0, 1450.0, 1.0, 1),
    "pump": (2.0, 6.0, 700.0, 0.7, 1),
}
BIG = {
    "range": (1.6, 14.0, 2300.0, 1.0, 3),
    "dryer": (0.5, 14.0, 5200.0, 0.99, 3),
    "heater": (3.4, 22.0, 4300.0, 1.0, 1),
}
GROUPS = {(1, "a"): 0, (1, "b"): 1, (2, "a"): 2, (2, "b"): 3, (0, "a"): 4, (0, "b"): 5}


@dataclass
class Pulses:
    """A list of pulses: start and length [min], power [W], tangent of the phase angle, group."""

    start: list[Float] = field(default_factory=list)
    length: list[Float] = field(default_factory=list)
    power: list[Float] = field(default_factory=list)
    tangent: list[Float] = field(default_factory=list)
    group: list[Float] = field(default_factory=list)

    def add(self, start: Float, length: Float, power_w: Float | float, pf: float, group: int) -> None:
        """Append pulses of one load."""
        self.start.append(start)
        self.length.append(np.broadcast_to(length, start.shape))
        self.power.append(np.broadcast_to(np.asarray(power_w, dtype=np.float64), start.shape))
        self.tangent.append(np.full(start.shape, np.sqrt(1.0 / pf**2 - 1.0)))
        self.group.append(np.full(start.shape, float(group)))

    def laid_out(self, window: Window) -> Complex:
        """Return mean complex power of each group and step [W + j var], shape (6, n)."""
        width = window.size + 2
        if not self.start:
            return np.zeros((len(GROUPS), window.size), dtype=np.complex128)
        start, length = np.concatenate(self.start), np.concatenate(self.length)
        watts, group = np.concatenate(self.power), np.concatenate(self.group).astype(np.int64)
        edge = np.clip(np.concatenate([start, start + length]) / window.step, 0.0, float(window.size))
        whole = edge.astype(np.int64)
        part = edge - whole
        sign = np.concatenate([watts, -watts])
        place = np.concatenate([group, group]) * width + whole
        size = len(GROUPS) * width
        out = []
        for factor in (1.0, np.tile(np.concatenate(self.tangent), 2)):
            jump = np.bincount(place, sign * factor * (1.0 - part), size)
            jump += np.bincount(place + 1, sign * factor * part, size + 1)[:size]
            out.append(np.cumsum(jump.reshape(len(GROUPS), width), axis=1)[:, : window.size])
        total: Complex = out[0] + 1j * out[1]
        return total


def occupancy(plan: HomePlan, window: Window, hour: Float, rng: np.random.Generator) -> Float:
    """Return how busy the home is, around 1 when people are up, near 0 when asleep or away."""

    def bump(middle: float, width: float) -> Float:
        away = (hour - middle + 12.0) % 24.0 - 12.0
        out: Float = np.exp(-0.5 * (away / width) ** 2)
        return out

    busy = 0.06 + 0.7 * bump(plan.wakes_h, 1.1) + bump(plan.wakes_h + 12.2, 2.3)
    busy += plan.home_by_day * bump(plan.wakes_h + 6.0, 2.6)
    daily = rng.lognormal(0.0, 0.35, window.days)
    daily[rng.random(window.days) < plan.away_share] = 0.03
    out: Float = busy * np.repeat(daily, window.size // window.days)
    return out


def _times(rng: np.random.Generator, weight: Float, per_day: float, window: Window) -> Float:
    """Draw the starts [min] of Poisson events whose rate follows `weight`."""
    ramp = np.cumsum(weight)
    count = rng.poisson(per_day * window.days * min(ramp[-1] / weight.size / 0.35, 3.0))
    at = np.searchsorted(ramp, rng.random(count) * ramp[-1])
    out: Float = (np.sort(at) + rng.random(count)) * window.step
    return out


def _appliances(
    pulses: Pulses, plan: HomePlan, window: Window, busy: Float, rng: np.random.Generator
) -> None:
    for kinds, is_big in ((APPLIANCES, False), (BIG, True)):
        for per_day, length, watts, pf, cycles in kinds.values():
            owned = rng.random() < (plan.big_share if is_big else 0.85)
            leg, bundle = plan.deal(rng, is_big=is_big)
            if not owned or plan.is_vacant:
                continue
            start = _times(rng, busy, per_day * plan.activity, window)
            lengths = length * rng.lognormal(0.0, 0.3, start.size)
            size_w = watts * rng.uniform(0.7, 1.2)
            for cycle in range(cycles):
                gap = cycle * lengths * rng.uniform(1.4, 2.6)
                pulses.add(start + gap, lengths, size_w, pf, GROUPS[leg, bundle])


def _cycling(pulses: Pulses, plan: HomePlan, window: Window, rng: np.random.Generator) -> None:
    """Add refrigerators and freezers: a compressor that comes and goes all day."""
    total_min = window.size * window.step
    for _ in range(plan.fridges):
        period = rng.uniform(28.0, 95.0)
        count = int(total_min / period) + 2
        start = np.cumsum(period * rng.uniform(0.75, 1.25, count)) - 2.0 * period * rng.random()
        leg, bundle = plan.deal(rng)
        length = np.full(count, period * rng.uniform(0.25, 0.5))
        pulses.add(start, length, rng.uniform(60.0, 190.0), rng.uniform(0.6, 0.95), GROUPS[leg, bundle])


def _climate(
    pulses: Pulses, plan: HomePlan, window: Window, outdoor_c: Float, rng: np.random.Generator
) -> None:
    """Add a compressor between the legs whose running share follows the temperature outside."""
    if not plan.heat_pump_w or plan.is_vacant:
        return
    period = rng.uniform(12.0, 35.0)
    count = int(window.size * window.step / period)
    start = (np.arange(count, dtype=np.float64) + float(rng.random())) * period
    outside = outdoor_c[np.minimum((start / window.step).astype(np.int64), window.size - 1)]
    need = np.maximum(outside - 23.5, 0.0) / 13.0 + np.maximum(plan.heats_below_c - outside, 0.0) / 20.0
    duty = np.clip(need + rng.normal(0.0, 0.04, count), 0.0, 0.97)
    on = duty > 0.08
    pulses.add(
        start[on], (duty * period)[on], plan.heat_pump_w, rng.uniform(0.8, 0.97), GROUPS[0, plan.deal(rng)[1]]
    )


def _nightly(pulses: Pulses, plan: HomePlan, window: Window, hour: Float, rng: np.random.Generator) -> None:
    """Add car charging and a pool pump: long blocks at about the same time of day."""
    day_min = np.arange(window.days) * 1440.0
    for watts, at_h, length_h, share, pf in (
        (plan.ev_w, plan.ev_at_h, plan.ev_hours, plan.ev_share, 0.99),
        (plan.pool_w, plan.wakes_h + 3.0, 7.0, 0.97, 0.8),
    ):
        group = GROUPS[0, plan.deal(rng)[1]]
        if not watts or plan.is_vacant:
            continue
        utc_h = (at_h - hour[0]) % 24.0
        start = day_min + 60.0 * (utc_h + rng.normal(0.0, 0.6, window.days))
        go = rng.random(window.days) < share
        length = 60.0 * np.minimum(length_h * rng.lognormal(0.0, 0.35, window.days), 14.0)
        pulses.add(start[go], length[go], watts, pf, group)


def household(
    plan: HomePlan, window: Window, hour: Float, outdoor_c: Float, volts: float, rng: np.random.Generator
) -> Complex:
    """Return the load of (leg 1 a, leg 1 b, leg 2 a, leg 2 b) [W + j var], shape (4, n)."""
    busy = occupancy(plan, window, hour, rng)
    pulses = Pulses()
    _appliances(pulses, plan, window, busy, rng)
    _cycling(pulses, plan, window, rng)
    _climate(pulses, plan, window, outdoor_c, rng)
    _nightly(pulses, plan, window, hour, rng)
    laid = pulses.laid_out(window)
    loads = laid[:4]
    small = plan.lights_w * busy * np.exp(0.5 * wander(rng, window.size, 45.0 / window.step))
    for at, share in enumerate(plan.group_shares):
        phase = 1.0 + 1j * plan.base_tangent
        breath = 1.0 + 0.04 * wander(rng, window.size, 60.0 / window.step)
        loads[at] += share * phase * (plan.base_w * breath + (0.0 if plan.is_vacant else small))
    for at, group in ((0, 4), (1, 5)):
        one, two = line_to_line_va(laid[group], volts, volts, plan.service)
        loads[at] += one
        loads[at + 2] += two
    return loads

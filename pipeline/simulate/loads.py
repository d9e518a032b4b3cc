"""What a home's loads draw: each has a kind, a leg (or both at once), a bundle and a power factor.

Loads come as pulses (start, length, power) placed exactly on the fine steps, or as series. Some homes are drawn
with a broad brush instead, by smooth daily curves and white noise: fleets of other makers look like this, and a
classifier that has seen only detailed homes would be lost there.
"""

from __future__ import annotations

import numpy as np

from pipeline.faults.circuit import Complex, Float
from pipeline.simulate.connections import connections, drawn_lines, loads_by_line
from pipeline.simulate.plan import HomePlan
from pipeline.simulate.service_draws import size_large
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


class _Pulses:
    """Pulses of loads: start and length [min], power [W], tangent of the phase angle, row; shape (5, pulses)."""

    def __init__(self) -> None:
        self.columns: list[Float] = [np.zeros((5, 0))]

    def add(
        self, start: Float, length: Float | float, power_w: Float | float, *, pf: float, row: int
    ) -> None:
        """Append pulses of one load: start and length [min], what it takes [W], lagging power factor, its row."""
        tangent = np.sqrt(1.0 / pf**2 - 1.0)
        self.columns.append(np.stack(np.broadcast_arrays(start, length, power_w, tangent, float(row))))

    def complex_power(self, window: Window, rows: int) -> Complex:
        """Return mean complex power of each row and step [W + j var], shape (rows, n)."""
        width = window.size + 2
        start, length, watts, tangent, row = np.concatenate(self.columns, axis=1)
        edge = np.clip(np.concatenate([start, start + length]) / window.step, 0.0, float(window.size))
        whole = edge.astype(np.int64)
        part = edge - whole
        sign = np.concatenate([watts, -watts])
        place = np.tile(row.astype(np.int64), 2) * width + whole
        size = rows * width
        powers = []
        for factor in (1.0, np.tile(tangent, 2)):
            jump = np.bincount(place, sign * factor * (1.0 - part), size)
            jump += np.bincount(place + 1, sign * factor * part, size + 1)[:size]
            powers.append(np.cumsum(jump.reshape(rows, width), axis=1)[:, : window.size])
        return powers[0] + 1j * powers[1]


def _deal_large(plan: HomePlan, kind: str, rng: np.random.Generator) -> int:
    """Return the row of a large load; two legs' homes draw a line for it that they then don't need."""
    if drawn_lines(plan.service) == 2:
        return 4 + plan.deal(rng) % 2
    return plan.deal(rng, kind)


def _bump(hour: Float, middle_h: float, width_h: float) -> Float:
    """Return a bell over the hours of the day, 1 at its middle."""
    apart = (hour - middle_h + 12.0) % 24.0 - 12.0
    return np.exp(-0.5 * (apart / width_h) ** 2)


def _draw_activity(plan: HomePlan, window: Window, hour: Float, rng: np.random.Generator) -> Float:
    """Return how busy the home is, around 1 when people are up, near 0 when asleep or away."""
    busy = 0.06 + 0.7 * _bump(hour, plan.wakes_h, 1.1) + _bump(hour, plan.wakes_h + 12.2, 2.3)
    busy += plan.home_by_day * _bump(hour, plan.wakes_h + 6.0, 2.6)
    daily = rng.lognormal(0.0, 0.35, window.days)
    daily[rng.random(window.days) < plan.away_share] = 0.03
    return busy * np.repeat(daily, window.size // window.days)


def _draw_starts(rng: np.random.Generator, weight: Float, per_day: float, window: Window) -> Float:
    """Draw the starts [min] of Poisson events whose rate follows `weight`."""
    ramp = np.cumsum(weight)
    count = rng.poisson(per_day * window.days * min(ramp[-1] / weight.size / 0.35, 3.0))
    steps = np.searchsorted(ramp, rng.random(count) * ramp[-1])
    start_min: Float = (np.sort(steps) + rng.random(count)) * window.step
    return start_min


def _add_appliances(
    pulses: _Pulses, plan: HomePlan, window: Window, busy: Float, rng: np.random.Generator
) -> None:
    for kinds, is_big in ((APPLIANCES, False), (BIG, True)):
        for name, (per_day, length, watts, pf, cycles) in kinds.items():
            owned = rng.random() < (plan.big_share if is_big else 0.85)
            row = plan.deal(rng, name if is_big else "")
            watts, length = size_large(plan.service, name, row, watts=watts, minutes=length)
            if not owned or plan.is_vacant:
                continue
            start = _draw_starts(rng, busy, per_day * plan.activity, window)
            lengths = length * rng.lognormal(0.0, 0.3, start.size)
            size_w = watts * rng.uniform(0.7, 1.2)
            for cycle in range(cycles):
                gap = cycle * lengths * rng.uniform(1.4, 2.6)
                pulses.add(start + gap, lengths, size_w, pf=pf, row=row)


def _add_fridges(pulses: _Pulses, plan: HomePlan, window: Window, rng: np.random.Generator) -> None:
    """Add refrigerators and freezers: each a compressor that comes and goes all day."""
    total_min = window.size * window.step
    for _ in range(plan.fridges):
        period = rng.uniform(28.0, 95.0)
        count = int(total_min / period) + 2
        start = np.cumsum(period * rng.uniform(0.75, 1.25, count)) - 2.0 * period * rng.random()
        row = plan.deal(rng)
        length, watts = period * rng.uniform(0.25, 0.5), rng.uniform(60.0, 190.0)
        pulses.add(start, length, watts, pf=rng.uniform(0.6, 0.95), row=row)


def _add_heat_pump(
    pulses: _Pulses, plan: HomePlan, window: Window, outdoor_c: Float, rng: np.random.Generator
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
    on, pf = duty > 0.08, rng.uniform(0.8, 0.97)
    row = _deal_large(plan, "heat_pump", rng)
    watts, _ = size_large(plan.service, "heat_pump", row, watts=plan.heat_pump_w, minutes=period)
    pulses.add(start[on], (duty * period)[on], watts, pf=pf, row=row)


def _add_car_and_pool(
    pulses: _Pulses, plan: HomePlan, window: Window, hour: Float, rng: np.random.Generator
) -> None:
    """Add car charging and a pool pump: long blocks at about the same time of day."""
    day_min = np.arange(window.days) * 1440.0
    for kind, watts, at_h, length_h, share, pf in (
        ("car", plan.ev_w, plan.ev_at_h, plan.ev_hours, plan.ev_share, 0.99),
        ("pool", plan.pool_w, plan.wakes_h + 3.0, 7.0, 0.97, 0.8),
    ):
        row = _deal_large(plan, kind, rng)
        watts, _ = size_large(plan.service, kind, row, watts=watts, minutes=length_h)
        if not watts or plan.is_vacant:
            continue
        utc_h = (at_h - hour[0]) % 24.0
        start = day_min + 60.0 * (utc_h + rng.normal(0.0, 0.6, window.days))
        runs = rng.random(window.days) < share
        length = 60.0 * np.minimum(length_h * rng.lognormal(0.0, 0.35, window.days), 14.0)
        pulses.add(start[runs], length[runs], watts, pf=pf, row=row)


def household_va(plan: HomePlan, outdoor_c: Float, rng: np.random.Generator) -> Complex:
    """Return the load of each line's bundles [W + j var], shape (lines, 2, n); outdoor air [deg C] (n,)."""
    hour = plan.window.local_hour(plan.timezone)
    window = plan.window
    busy = _draw_activity(plan, window, hour, rng)
    pulses = _Pulses()
    _add_appliances(pulses, plan, window, busy, rng)
    _add_fridges(pulses, plan, window, rng)
    _add_heat_pump(pulses, plan, window, outdoor_c, rng)
    _add_car_and_pool(pulses, plan, window, hour, rng)
    rows = pulses.complex_power(window, 2 * len(connections(plan.service)))
    small = plan.lights_w * busy * np.exp(0.5 * wander(rng, window.size, 45.0 / window.step))
    for row, share in enumerate(plan.group_shares):
        phase = 1.0 + 1j * plan.base_tangent
        breath = 1.0 + 0.04 * wander(rng, window.size, 60.0 / window.step)
        rows[row] += share * phase * (plan.base_w * breath + (0.0 if plan.is_vacant else small))
    return loads_by_line(plan.service, rows, plan.volts)


def plain_household_va(plan: HomePlan, rng: np.random.Generator) -> Complex:
    """Return the load, drawn with a broad brush, of each line's bundles [W + j var], shape (lines, 2, n)."""
    hour = plan.window.local_hour(plan.timezone)
    lights_w = 0.0 if plan.is_vacant else plan.lights_w * plan.activity
    shape = plan.base_w + lights_w * (_bump(hour, 19.0, 2.5) + 0.6 * _bump(hour, plan.wakes_h + 0.5, 1.5))
    spread = float(rng.uniform(0.02, 0.5))
    lines = drawn_lines(plan.service)
    loads = np.empty((lines, 2, hour.size), dtype=np.complex128)
    for row, share in enumerate(plan.group_shares):
        noise = rng.gamma(1.0 / spread**2, spread**2, hour.size)
        loads[row // 2, row % 2] = share * shape * noise * (1.0 + 1j * plan.base_tangent)
    if plan.is_vacant:
        return loads
    # Blocks on all lines (a water heater, a compressor) and spikes on one line at a time.
    big_w = plan.heat_pump_w * (rng.random(hour.size) < rng.uniform(0.01, 0.25))
    if plan.ev_w:
        big_w = big_w + plan.ev_w * (((hour - plan.ev_at_h) % 24.0) < plan.ev_hours)
    bundle = 0 if plan.bundle_a_share > 0.5 else 1
    loads[:, bundle] += big_w / lines
    for row in range(2 * lines):
        loads[row // 2, row % 2] += (
            1400.0 * rng.random(hour.size) * (rng.random(hour.size) < 0.012 * plan.activity)
        )
    return loads

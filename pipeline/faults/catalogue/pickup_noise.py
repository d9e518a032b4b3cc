"""The lead picks up what runs beside it.

On site: an extension that is untwisted, or made of wires from two pairs, laid along other
conductors. The data: an offset that wanders by tens to hundreds of watts, and a copy of another
leg leaking in. What else looks the same: a busy home (but its offset is never negative at night), a
meter with coarse noise, a small battery nobody told us about. No inverse: the offset is as good as
random.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.faults.circuit import Circuit, Float
from pipeline.faults.cts import Wiring
from pipeline.faults.energy_error import each_line, number, other_kwh
from pipeline.faults.types import Fault, Remedy, channels_of

LEAK = (0.05, 0.30)  # share of another channel's current that gets in
LEAK_DEG = 60.0  # its phase is anything up to this, either way up
WANDER_W = (25.0, 300.0)  # standard deviation of the wandering offset, drawn on a log scale
WANDER_MIN = (20.0, 600.0)  # how long it remembers itself, drawn on a log scale


def _wander(circuit: Circuit, size_w: float, memory_min: float, rng: np.random.Generator) -> Float:
    """Return a first-order autoregressive offset [W], by exact filtering in blocks."""
    keep = float(np.exp(-circuit.minutes / memory_min))
    drive = rng.normal(0.0, size_w * np.sqrt(1.0 - keep**2), circuit.size)
    drive[0] = rng.normal(0.0, size_w)
    out = drive
    step, factor = 1, keep
    while step < circuit.size and factor > 1e-6:  # doubling: sum of keep^k * drive shifted by k
        shifted = out.copy()
        shifted[step:] += factor * out[:-step]
        out, step, factor = shifted, step * 2, factor**2
    return out


def _effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Draw the leak's share, phase and sense, the offset's size and memory, and of several other legs which leaks."""
    size_w = float(np.exp(rng.uniform(*np.log(WANDER_W))))
    memory_min = float(np.exp(rng.uniform(*np.log(WANDER_MIN))))
    share = float(rng.uniform(*LEAK)) * (1.0 if rng.random() < 0.5 else -1.0)
    leak = complex(share * np.exp(1j * np.deg2rad(rng.uniform(-LEAK_DEG, LEAK_DEG))))
    for channel in channels_of(leg, wiring):
        offset = _wander(circuit, size_w, memory_min, rng) + rng.normal(0.0, size_w / 2)
        wiring = wiring.with_offset(channel, offset)
        others = [other for other in wiring.legs if other != channel]
        if others:
            beside = others[int(rng.integers(len(others)))] if len(others) > 1 else others[0]
            wiring = wiring.with_leak(channel, beside, leak)
    return replace(wiring, severity=f"leak {abs(share):.2f}, wander {size_w:.0f} W over {memory_min:.0f} min")


FAULT = Fault(
    name="pickup_noise",
    title="interference on the lead",
    story="The lead's extension is untwisted or a split pair, and picks up what runs beside it.",
    looks_like="a busy home; a noisy meter; an undeclared small battery",
    effect=_effect,
    remains="noisy",
    # |leak| x another leg + 24 h x the offset's mean size: 0.31 of the spread (10 to 90 %) of a normal wander.
    wrong_kwh_day=each_line(
        lambda leg, count: (
            number(f"leak_{leg}").abs().fill_null(LEAK[0]).clip(0.0, 1.0) * other_kwh(leg, count)
            + 0.024 * 0.31 * number(f"{leg}_night_wander").abs().fill_null(0.0)
        )
    ),
    # No `wrong_kwh_span`: what was picked up may be half of the estimate or three times it.
    remedy=Remedy(
        action="Replace the extension by one twisted pair, both wires of one colour pair, away from other "
        "conductors and no longer than needed.",
        fix_by="visit",
        bring=("twisted-pair lead, enough for the run", "splices and tool"),
        minutes=50,
        prove="All loads of that leg off: the reading stays within a few watts of 0 while a 1.5 kW load runs "
        "on another leg.",
        habit="One CT, one twisted pair: never split a pair, never share one.",
    ),
    pictures=("night_floors", "night_levels"),
)

"""The CT's jaws don't close.

On site: not latched, or dirt, tape or a wire caught in the gap. The data: the leg reads low, with a
phase lead that also skews real power where the power factor is low, and turns reactive power. What
else looks the same: partial (no phase lead), a wrong ratio (all legs alike). No inverse: gain and
lead follow from a gap that nobody measures and that moves with warmth; the answer to production
only estimates them.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring
from pipeline.faults.energy_error import each_line, part_seen, read_kwh
from pipeline.faults.types import Fault, Remedy, channels_of

GAIN = (0.4, 0.92)
LEAD_DEG = (3.0, 25.0)  # a wider gap reads lower and leads more
LEAD_SPREAD_DEG = 4.0


def _effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Draw the gap: gain and phase lead of the leg's first CT (the others stay closed)."""
    gain = float(rng.uniform(*GAIN))
    openness = (GAIN[1] - gain) / (GAIN[1] - GAIN[0])
    middle = LEAD_DEG[0] + openness * (LEAD_DEG[1] - LEAD_DEG[0])
    lead_deg = float(np.clip(rng.normal(middle, LEAD_SPREAD_DEG), *LEAD_DEG))
    factor = complex(gain * np.exp(1j * np.deg2rad(lead_deg)))
    for channel in channels_of(leg, wiring):
        first, *others = wiring.cts(channel)
        wiring = wiring.with_cts(channel, (replace(first, gain=first.gain * factor), *others))
    return replace(wiring, severity=f"gain {gain:.2f}, lead {lead_deg:.0f} deg")


FAULT = Fault(
    name="loose_core",
    title="CT not closed",
    story="The CT's jaws are not latched or something lies in the gap, so it reads low and early.",
    looks_like="partial; wrong_ratio when on all legs",
    effect=_effect,
    remains="share",
    # (1 / g - 1) |reading|, with g the gain of the open CT; unknown: the middle of GAIN.
    wrong_kwh_day=each_line(
        lambda leg, count: (1 / part_seen(leg, count, default=sum(GAIN) / 2) - 1) * read_kwh([leg])
    ),
    wrong_kwh_span=(0.6, 1.45),
    remedy=Remedy(
        action="Open the CT, wipe both faces of the gap, see that no wire or tape lies in it, and close it "
        "until it clicks. Replace it if the latch is broken.",
        fix_by="visit",
        bring=("spare CT of the same rating", "dry cloth", "clamp meter"),
        minutes=25,
        prove="Clamp meter on the same conductor against the reading, a motor or compressor running: within 5 %.",
        habit="Close until it clicks, then pull on the jaw: a latched one doesn't move.",
    ),
    pictures=("daily_slopes", "leg_against_pv"),
)

"""A channel without a CT.

On site: an open lead, an unplugged connector, an unseated splice. The data: zero within a few watts
of noise, day and night, while the other legs live. What else looks the same: a logger that writes
dropouts as exactly 0 (on all channels at once, for hours), an added-back and clipped source with a
reversed CT (zero at night only), a leg that truly carries nothing. No inverse: what was never
measured can't be worked out.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring
from pipeline.faults.energy_error import bounded, unseen_kwh
from pipeline.faults.types import Fault, Remedy, channels_of

NOISE_W = (0.0, 5.0)  # range of the standard deviation of what an open input picks up
BIAS_W = 3.0  # standard deviation of its constant part


def _effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Take the leg's CTs off; draw how much the open input rustles."""
    noise_w = float(rng.uniform(*NOISE_W)) if rng.random() < 0.7 else 0.0
    for channel in channels_of(leg, wiring):
        bias_w = rng.normal(0.0, BIAS_W) if noise_w else 0.0
        rustle = bias_w + rng.normal(0.0, noise_w, circuit.size)
        wiring = wiring.with_cts(channel, ()).with_offset(channel, rustle)
    return replace(wiring, severity=f"zero with {noise_w:.1f} W of noise")


FAULT = Fault(
    name="dead",
    title="no signal (open lead)",
    story="The channel gets no signal: an open lead, an unplugged CT or an unseated splice.",
    looks_like="a logger's dropouts written as exactly 0; reversed in a source that adds "
    "production back and clips; a leg without load",
    effect=_effect,
    # All of the leg's energy is missing: the other legs' stands for it, an average home's for all.
    wrong_kwh_day=lambda leg, line_count: bounded(unseen_kwh(leg, line_count)),
    wrong_kwh_span=(0.5, 1.8),
    remedy=Remedy(
        action="Follow the lead from the monitor to the CT: reseat the terminal, the plug and the splice, "
        "and remake the splice if it is in doubt. Replace the CT if it stays silent.",
        fix_by="visit",
        bring=("spare CT of the same rating", "insulation-displacement splices and tool", "multimeter"),
        minutes=40,
        prove="Known 1.5 kW load on an outlet of that leg: the channel rises by about +1.5 kW.",
        habit="Tug every terminal and splice, then see each channel move before closing the panel.",
    ),
    pictures=("night_levels", "day_profile"),
)

"""A bit of an input of the monitor sticks.

On site: nothing to see; the monitor adds 2048 W to a channel day and night. The data: the leg never
reads less, slopes and steps are those of a right CT. What else looks the same: a load that never
stops.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.faults.channels import Channels, Repair
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring
from pipeline.faults.types import Change, Fault, Remedy, Stopgap

BIT_W = 2048.0


def effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Add the bit to the channel; nothing to draw."""
    return replace(wiring.with_offset(leg, BIT_W), severity="bit 11 stuck")


def inverse(now: Channels, repair: Repair) -> Channels:
    """Take the bit off; exact."""
    return now.with_leg(repair.leg, now.get(repair.leg, "w") - BIT_W, now.get(repair.leg, "var"))


FAULT = Fault(
    name="stuck_bit",
    title="stuck bit",
    legs="one",
    story="A bit of an input of the monitor sticks, which adds 2048 W to a leg day and night.",
    looks_like="a load that never stops",
    effect=effect,
    inverse=inverse,
    wrong_kwh_day=lambda leg, line_count: pl.lit(BIT_W * 24 / 1000),
    remedy=Remedy(
        action="Replace the monitor's input board.",
        fix_by="visit",
        bring=("input board",),
        minutes=35,
        prove="All loads of leg 1 off: the channel reads within a few watts of 0.",
        habit="Read each channel with its CT unplugged before leaving.",
        desk=Stopgap(
            "If the monitor has an offset a channel, it can serve until the visit.",
            (Change("offset of {leg}", "0 W", "−2 048 W", "the bit adds as much"),),
        ),
    ),
    pictures=("night_floors", "leg_against_leg"),
    cautions=("The board's terminals stay live after the plug is pulled: wait a minute.",),
)

"""A bit of the monitor's first input sticks.

On site: nothing to see; the monitor adds 2048 W to channel L1 day and night. The data: the leg never
reads less, slopes and steps are those of a right CT. What else looks the same: a load that never
stops.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring
from pipeline.faults.types import Change, Channels, Fault, Remedy, Repair, Stopgap

BIT_W = 2048.0


def effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Add the bit to channel L1; nothing to draw."""
    return replace(wiring.with_offset("l1", BIT_W), severity="bit 11 stuck")


def inverse(now: Channels, repair: Repair) -> Channels:
    """Take the bit off; exact."""
    return now._replace(l1_w=now.l1_w - BIT_W)


FAULT = Fault(
    name="stuck_bit",
    title="stuck bit",
    legs=("l1",),
    story="A bit of the monitor's first input sticks, which adds 2048 W to leg 1 day and night.",
    looks_like="a load that never stops",
    effect=effect,
    inverse=inverse,
    wrong_kwh_day={"l1": pl.lit(BIT_W * 24 / 1000)},
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

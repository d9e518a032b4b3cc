"""One CT of a parallel pair is reversed.

On site: two CTs in parallel on one input, one of them turned. The data: the difference of two
bundles instead of their sum; upstream on two equal conductors nearly zero with a slope near 0, at
the loads a mix of positive and negative depending on which bundle is busy. What else looks the
same: a dead channel (upstream), a reversed CT (when the turned bundle carries most of the load).
No inverse: the difference of two currents doesn't tell their sum, and two conductors in parallel
share unequally by an amount that nobody measures.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.core.services import lines_of
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring
from pipeline.faults.energy_error import bounded, read_kwh, unseen_kwh
from pipeline.faults.types import Fault, Remedy, channels_of

UNEQUAL = 0.06  # standard deviation of how unequally two parallel conductors share the current


def _effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Turn one CT of the pair; draw which, and how unequal parallel conductors are."""
    for channel in channels_of(leg, wiring):
        cts = list(wiring.cts(channel))
        if cts[0].load_a == cts[1].load_a:  # parallel conductors: never exactly equal
            tilt = float(np.clip(rng.normal(0.0, UNEQUAL), -0.2, 0.2))
            cts[:2] = cts[0].scaled(1.0 + tilt), cts[1].scaled(1.0 - tilt)
        index = int(rng.integers(len(cts)))
        cts[index] = cts[index].turned()
        wiring = wiring.with_cts(channel, tuple(cts))
    return replace(wiring, severity="one CT of the pair turned")


def _wrong_kwh(leg: str, line_count: int) -> pl.Expr:
    """Return what A - B instead of A + B errs by: 2 B, within |reading| of the truth, which other legs stand for."""
    lines, unseen = lines_of(leg, line_count), unseen_kwh(leg, line_count)
    is_whole = len(lines) == line_count > 1
    return bounded(pl.max_horizontal(read_kwh(lines), unseen) if is_whole else unseen)


FAULT = Fault(
    name="opposed_pair",
    title="one of a parallel pair reversed",
    story="Of two CTs in parallel on one input one faces the wrong way, so they subtract.",
    looks_like="dead or partial upstream; reversed where the turned bundle carries most of the load",
    fits=lambda wiring, circuit: len(wiring.channels[0]) > 1,
    effect=_effect,
    wrong_kwh_day=_wrong_kwh,
    wrong_kwh_span=(0.4, 2.2),
    remedy=Remedy(
        action="Turn the one CT of the pair whose mark faces the loads; both marks must face the utility.",
        fix_by="visit",
        bring=("clamp meter", "1.5 kW known load"),
        minutes=30,
        prove="Known 1.5 kW load on a circuit of each bundle in turn: the leg rises by about +1.5 kW both "
        "times, and the leg's reading equals the sum of the two bundles.",
        habit="Lay parallel CTs side by side with their marks the same way before closing them.",
    ),
    pictures=("leg_against_pv", "day_profile"),
    needs={"cts_per_leg": 2},
)

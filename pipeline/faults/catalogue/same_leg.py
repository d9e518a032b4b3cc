"""Both CTs are on one leg's conductors.

On site: the second CT was closed around the conductor next to the first instead of the other
leg's. The data: the misplaced channel mirrors the other with the sign turned (120/240), so the two
sum to about zero; if it was also turned, it is a copy. On 120/208 it is minus half a copy plus
reactive power. The other leg's load is never seen. What else looks the same: nothing lasts like it;
homes whose load is all 240 V run alike too, but with a positive sum and ordinary scatter at night.
No inverse: what the other leg carried was never measured (the other channel is right all along).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import CT, Wiring
from pipeline.faults.energy_error import each_leg, other_kwh
from pipeline.faults.types import Fault, Remedy, channels_of, on_two_legs

ALSO_TURNED_SHARE = 0.25  # how often the misplaced CT faces the other way as well


def _effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Move the leg's CTs to the other leg; draw whether they are turned as well."""
    is_turned = bool(rng.random() < ALSO_TURNED_SHARE)
    channels = channels_of(leg, wiring)[:1]
    wiring = wiring.with_each_ct(lambda ct: ct.on_line(3 - ct.line), channels)
    if is_turned:
        wiring = wiring.with_each_ct(CT.turned, channels)
    return replace(wiring, severity="a copy: misplaced and turned" if is_turned else "a mirror image")


FAULT = Fault(
    name="same_leg",
    title="both CTs on one leg",
    legs=("l1", "l2"),
    story="Both CTs are around one leg's conductors; the other leg is not measured at all.",
    looks_like="a home with nearly all load at 240 V; reversed on one leg",
    fits=on_two_legs,
    effect=_effect,
    # The leg never seen is taken to be like the other: a mirror image errs by both, a copy by as much as one.
    wrong_kwh_day=each_leg(
        lambda leg: (
            pl.when((pl.col("equal_share") > pl.col("mirror_share")).fill_null(False))
            .then(1.0)
            .otherwise(2.0)
            * other_kwh(leg)
        ),
        has_both=False,
    ),
    wrong_kwh_span=(0.28, 1.4),
    remedy=Remedy(
        action="Move the misplaced CT to its own leg's conductor (follow the conductor to the breaker's "
        "pole, not the colour of its insulation).",
        fix_by="visit",
        bring=("voltage tester", "lead markers", "1.5 kW known load"),
        minutes=35,
        prove="Solar off, known 1.5 kW load on an outlet of the missing leg: its channel rises by about "
        "+1.5 kW and the other stays.",
        habit="Measure 240 V (208 V) between the two conductors that carry the CTs: 0 V means the same leg twice.",
    ),
    pictures=("leg_against_leg", "daily_slopes"),
    needs={"service": "120/240", "volts": 120.0},
)

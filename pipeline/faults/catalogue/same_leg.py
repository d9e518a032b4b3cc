"""Two CTs are on one leg's conductors.

On site: a CT was closed around the conductor next to its own, which has one already. The data: the
misplaced channel mirrors the other with the sign turned (120/240), so the two sum to about zero; if it was
also turned, it is a copy. Where lines are 120 degrees apart it is minus half a copy plus
reactive power. Its own leg's load is never seen. What else looks the same: nothing lasts like it;
homes whose load is all 240 V run alike too, but with a positive sum and ordinary scatter at night.
No inverse: what the other leg carried was never measured (the other channel is right all along).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import CT, Wiring
from pipeline.faults.energy_error import each_line, other_kwh
from pipeline.faults.types import Fault, Remedy, channels_of, on_several_lines

ALSO_TURNED_SHARE = 0.25  # how often the misplaced CT faces the other way as well


def _effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Move the leg's CTs to another leg; draw whether they are turned as well, and of several legs to which."""
    is_turned = bool(rng.random() < ALSO_TURNED_SHARE)
    channels = channels_of(leg, wiring)[:1]
    past = 1 if wiring.line_count == 2 else int(rng.integers(1, wiring.line_count))
    wiring = wiring.with_each_ct(
        lambda ct: ct.on_line((ct.line - 1 + past) % wiring.line_count + 1), channels
    )
    if is_turned:
        wiring = wiring.with_each_ct(CT.turned, channels)
    return replace(wiring, severity="a copy: misplaced and turned" if is_turned else "a mirror image")


def _wrong_kwh(leg: str, line_count: int) -> pl.Expr:
    """Return the energy, the leg never seen taken to be like the others.

    Of two legs a mirror image errs by both, a copy by as much as one; of three it reads minus half another.
    """
    if line_count > 2:
        return 1.5 * other_kwh(leg, line_count)
    is_copy = (pl.col("equal_share") > pl.col("mirror_share")).fill_null(False)
    return pl.when(is_copy).then(1.0).otherwise(2.0) * other_kwh(leg, line_count)


FAULT = Fault(
    name="same_leg",
    title="two CTs on one leg",
    legs="one",
    story="Two CTs are around one leg's conductors; the leg of one of them is not measured at all.",
    looks_like="a home with nearly all load at 240 V; reversed on one leg",
    fits=on_several_lines,
    effect=_effect,
    wrong_kwh_day=each_line(_wrong_kwh),
    wrong_kwh_span=(0.28, 1.4),
    remedy=Remedy(
        action="Move the misplaced CT to its own leg's conductor (follow the conductor to the breaker's "
        "pole, not the colour of its insulation).",
        fix_by="visit",
        bring=("voltage tester", "lead markers", "1.5 kW known load"),
        minutes=35,
        prove="Solar off, known 1.5 kW load on an outlet of the missing leg: its channel rises by about "
        "+1.5 kW and no other moves.",
        habit="Measure the voltage between any two conductors that carry CTs: 0 V means the same leg twice.",
    ),
    pictures=("leg_against_leg", "daily_slopes"),
    needs={"service": "120/240", "volts": 120.0},
)

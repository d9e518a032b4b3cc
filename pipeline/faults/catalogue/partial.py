"""A part of the leg's current passes outside the CT.

On site: one CT of a parallel pair is missing, or one conductor or bundle was left outside the jaws.
The data: a part of the load is never seen; upstream the slope on production shrinks with it (to half
for one of two parallel conductors), downstream only the utility meter or the steps of loads between
two legs tell. What else looks the same: a loose core or a wrong ratio (which scale everything, and the ratio
all legs), a home with uneven legs. No inverse: at the loads what ran outside was never measured;
upstream the reading is a share of the truth, but that share is only estimated, from the answer to
production.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import CT, Wiring
from pipeline.faults.energy_error import each_line, part_seen, read_kwh
from pipeline.faults.types import Fault, Remedy, channels_of

HALF_SHARE = 0.6  # how often a lone CT misses one of two equal conductors
ENCLOSED = (0.3, 0.75)  # range of the enclosed share otherwise


def _leave_outside(ct: CT, rng: np.random.Generator) -> tuple[CT, str]:
    """Leave a conductor outside a lone CT: half of everything upstream, a bundle at the loads."""
    if ct.source == 0.0 and rng.random() < HALF_SHARE:
        is_a = rng.random() < 0.5
        ct = replace(ct, load_a=0.0) if is_a else replace(ct, load_b=0.0)
        return ct, "one load bundle outside"
    share = 0.5 if rng.random() < HALF_SHARE else float(rng.uniform(*ENCLOSED))
    return ct.scaled(share), f"{share:.2f} of the current enclosed"


def _effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Take one CT of a pair away, or leave a conductor outside a lone one."""
    severity = "one CT of the pair missing"
    for channel in channels_of(leg, wiring):
        cts = wiring.cts(channel)
        if len(cts) > 1:
            missing = int(rng.integers(len(cts)))
            cts = cts[:missing] + cts[missing + 1 :]
        else:
            lone, severity = _leave_outside(cts[0], rng)
            cts = (lone,)
        wiring = wiring.with_cts(channel, cts)
    return replace(wiring, severity=severity)


FAULT = Fault(
    name="partial",
    title="part of the load outside the CTs",
    story="A parallel CT is missing or a conductor was left outside, so part of the leg is never seen.",
    looks_like="loose_core; wrong_ratio when on all legs; a home whose load sits mostly on another leg",
    effect=_effect,
    remains="upstream share",
    # (1 / g - 1) |reading|, with g the share of the current that is enclosed; unknown: one of two conductors.
    wrong_kwh_day=each_line(
        lambda leg, count: (1 / part_seen(leg, count, default=0.5) - 1) * read_kwh([leg])
    ),
    wrong_kwh_span=(0.6, 1.7),
    remedy=Remedy(
        action="Count the leg's conductors and enclose every one of them: add the missing parallel CT or "
        "lay the conductor left outside into the jaws.",
        fix_by="visit",
        bring=("CT of the same rating", "splices and tool", "clamp meter"),
        minutes=45,
        prove="Clamp meter around all of the leg's conductors against the reading at the same moment, with "
        "a large load running: within 5 %.",
        habit="Count conductors out of the panel and conductors in the CTs: the two numbers must agree.",
        is_taught=True,
    ),
    pictures=("daily_slopes", "leg_against_pv"),
)

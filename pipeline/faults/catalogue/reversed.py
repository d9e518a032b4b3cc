"""A CT faces the wrong way.

On site: the CT's source mark points at the loads, or its black/white pair is landed the wrong way
round. The data: that leg times -1. Its nights are negative, and the leg rises with the sun where it
should fall (slope on production +0.5 instead of -0.5; with production added back +1 instead of 0).
What else looks the same: both legs reversed and legs crossed give the same powers on 120/240, only
the leg voltages tell them apart; a battery exporting at night; a clock that is hours off, which puts
midday's export into the night.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import CT, Wiring
from pipeline.faults.energy_error import bounded, each_leg, other_kwh, read_kwh
from pipeline.faults.types import Change, Channels, Fault, Remedy, Repair, Stopgap, channels_of


def _effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Turn every CT of the leg; nothing to draw."""
    wiring = wiring.with_each_ct(CT.turned, channels_of(leg, wiring))
    return replace(wiring, severity="sign turned")


def _inverse(now: Channels, repair: Repair) -> Channels:
    """Turn the leg's sign back; exact."""
    if repair.leg in ("l1", "both"):
        now = now._replace(l1_w=-now.l1_w, l1_var=-now.l1_var)
    if repair.leg in ("l2", "both"):
        now = now._replace(l2_w=-now.l2_w, l2_var=-now.l2_var)
    return now


FAULT = Fault(
    name="reversed",
    title="CT reversed",
    story="The CT faces the load instead of the utility, or its lead pair is landed the wrong way round.",
    looks_like="legs_crossed when both legs are negative and no leg voltages are known; a clock hours "
    "off; a battery exporting at night",
    effect=_effect,
    inverse=_inverse,
    remains="all",
    # |reading - truth| = 2 |reading|; where production was added back, night and noon read the wrong way from 0 and
    # nobody knows the truth but the other leg: |reading| + |truth|.
    wrong_kwh_day={
        **each_leg(
            lambda leg: (
                read_kwh(leg) + pl.when(pl.col("is_added_back")).then(other_kwh(leg)).otherwise(read_kwh(leg))
            )
        ),
        "both": bounded(2 * read_kwh("both")),
    },
    wrong_kwh_span=(0.98, 1.12),
    remedy=Remedy(
        action="Turn the CT so that its source mark faces the utility, or exchange the two wires of its "
        "lead at the monitor. Where the monitor has a sign setting, that can serve until the visit.",
        fix_by="visit",
        bring=("screwdriver for the monitor's terminals", "1.5 kW hair dryer or heater as known load"),
        minutes=25,
        prove="Solar off, known 1.5 kW load on an outlet of that leg: the leg rises by about +1.5 kW and "
        "stays positive. Solar on again: an upstream leg falls by half the production.",
        habit="Before closing the panel, switch on one known load per leg and read the sign aloud.",
        desk=Stopgap(
            "If the monitor has a sign (or polarity) setting a channel, it can serve until the visit.",
            (Change("sign of {leg}", "+1", "−1", "the leg reads the wrong way round"),),
        ),
        is_taught=True,
    ),
    pictures=("leg_against_pv", "night_levels"),
)

"""A CT faces the wrong way.

On site: the CT's source mark points at the loads, or its black/white pair is landed the wrong way
round. The data: that leg times -1. Its nights are negative, and the leg rises with the sun where it
should fall (on two legs slope on production +0.5 instead of -0.5; with production added back +1 instead of
0). What else looks the same: both legs reversed and legs crossed give the same powers on 120/240, only
the leg voltages tell them apart; a battery exporting at night; a clock that is hours off, which puts
midday's export into the night.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.core.services import LINES, lines_of
from pipeline.faults.channels import Channels, Order, Repair, Signs
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import CT, Wiring
from pipeline.faults.energy_error import bounded, each_line, other_kwh, read_kwh
from pipeline.faults.types import Change, Fault, Remedy, Stopgap, channels_of


def _effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Turn every CT of the leg; nothing to draw."""
    wiring = wiring.with_each_ct(CT.turned, channels_of(leg, wiring))
    return replace(wiring, severity="sign turned")


def _inverse(now: Channels, repair: Repair) -> Channels:
    """Turn the leg's sign back; exact."""
    for leg in lines_of(repair.leg, repair.line_count):
        now = now.scaled(leg, -1.0)
    return now


def _wirings(leg: str, line_count: int) -> tuple[tuple[Order, Signs], ...]:
    """Return each channel's CT on its own line, turned on the leg's."""
    lines, turned = LINES[:line_count], lines_of(leg, line_count)
    return ((tuple(range(1, line_count + 1)), tuple(-1 if line in turned else 1 for line in lines)),)


def _one_line_kwh(leg: str, line_count: int) -> pl.Expr:
    """Return |reading - truth| = 2 |reading|.

    Where production was added back, night and noon read the wrong way from 0 and nobody knows the truth but the other
    legs: |reading| + |truth|.
    """
    read = read_kwh([leg])
    return read + pl.when(pl.col("is_added_back")).then(other_kwh(leg, line_count)).otherwise(read)


def _wrong_kwh(leg: str, line_count: int) -> pl.Expr:
    """Return the energy of one line, or of several, of which none can stand for another."""
    lines = lines_of(leg, line_count)
    return bounded(2 * read_kwh(lines)) if len(lines) > 1 else each_line(_one_line_kwh)(leg, line_count)


FAULT = Fault(
    name="reversed",
    title="CT reversed",
    story="The CT faces the load instead of the utility, or its lead pair is landed the wrong way round.",
    looks_like="legs_crossed when all legs are negative and no leg voltages are known; a clock hours "
    "off; a battery exporting at night",
    effect=_effect,
    inverse=_inverse,
    wirings=_wirings,
    remains="all",
    wrong_kwh_day=_wrong_kwh,
    wrong_kwh_span=(0.98, 1.12),
    remedy=Remedy(
        action="Turn the CT so that its source mark faces the utility, or exchange the two wires of its "
        "lead at the monitor. Where the monitor has a sign setting, that can serve until the visit.",
        fix_by="visit",
        bring=("screwdriver for the monitor's terminals", "1.5 kW hair dryer or heater as known load"),
        minutes=25,
        prove="Solar off, known 1.5 kW load on an outlet of that leg: the leg rises by about +1.5 kW and "
        "stays positive. Solar on again: an upstream leg falls by its part of the production.",
        habit="Before closing the panel, switch on one known load per leg and read the sign aloud.",
        desk=Stopgap(
            "If the monitor has a sign (or polarity) setting a channel, it can serve until the visit.",
            (Change("sign of {leg}", "+1", "−1", "the leg reads the wrong way round"),),
        ),
        is_taught=True,
    ),
    pictures=("leg_against_pv", "night_levels"),
)

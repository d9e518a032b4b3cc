"""CTs are on each other's conductors.

On site: L1's CT sits on L2's conductor and L2's on L1's, or their leads are exchanged at the
monitor; of three lines two are exchanged or all three moved around. The data: each current is multiplied
with the wrong voltage. On 120/240 both legs are negative and exchanged; where lines are 120 degrees apart they
are about half size, negative, with heavy reactive power. What else looks the same: both CTs reversed,
told apart only by which leg's voltage sags with which channel. On 120/240 crossed and both turned as well
is harmless and reads right.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.core.services import lines_of
from pipeline.faults.channels import Channels, Order, Repair, Signs
from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring
from pipeline.faults.energy_error import bounded, number, read_kwh
from pipeline.faults.permutations import order_text, orders_of, put_back
from pipeline.faults.types import Change, Fault, Remedy, Stopgap, on_several_lines


def _effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Put the channels' CTs on each other's conductors; of three draw which way they are moved around."""
    orders = orders_of(leg, wiring.line_count)
    order = orders[int(rng.integers(len(orders)))] if len(orders) > 1 else orders[0]
    severity = "legs exchanged" if wiring.line_count == 2 else order_text(order)
    return replace(wiring.permuted(order), severity=severity)


def _inverse(now: Channels, repair: Repair) -> Channels:
    """Give each current its own voltage back; exact with leg voltages (and var where they are 120 degrees apart).

    Two lines were exchanged; which way three were moved around `repair.order` must say, else they become null.
    """
    orders = (repair.order,) if repair.order else orders_of(repair.leg, repair.line_count)
    if len(orders) == 1:
        return put_back(now, orders[0], repair.signs, service=repair.service)
    unknown = pl.lit(None, dtype=pl.Float64)
    for leg in lines_of(repair.leg, repair.line_count):
        now = now.with_leg(leg, unknown, unknown)
    return now


def _wirings(leg: str, line_count: int) -> tuple[tuple[Order, Signs], ...]:
    """Return every order of the leg's lines, no CT turned."""
    return tuple((order, (1,) * line_count) for order in orders_of(leg, line_count))


def _wrong_kwh(leg: str, line_count: int) -> pl.Expr:
    """Return two or three times what the crossed lines read.

    On 120/240 each reading is minus the other leg's truth: |P1 + P2| a leg, 2 (|P1| + |P2|) at most and nearly always.
    Where lines are 120 degrees apart a load to neutral reads minus half, three times the reading wrong; solar from
    between two such lines turns as on 120/240, that of three reads minus half too.
    """
    factor = pl.lit(3.0)
    if line_count < 3:
        is_solar = (number("pv_kwh_day") > 1) & pl.col("is_declared_upstream")
        is_half = (pl.col("service") == "120/208") & ~is_solar.fill_null(False)
        factor = pl.when(is_half).then(3.0).otherwise(2.0)
    return bounded(factor * read_kwh(lines_of(leg, line_count)))


FAULT = Fault(
    name="legs_crossed",
    title="CTs on each other's legs",
    legs="several",
    story="CTs are on each other's conductors, as L1's on L2's and the other way round, so each current is "
    "multiplied with the wrong voltage.",
    looks_like="reversed on both legs: the same powers on 120/240, only the leg voltages differ",
    fits=on_several_lines,
    effect=_effect,
    inverse=_inverse,
    wirings=_wirings,
    inverse_needs=("voltages",),
    remains="all",
    wrong_kwh_day=_wrong_kwh,
    wrong_kwh_span=(0.65, 1.1),
    remedy=Remedy(
        action="Move the crossed CTs' leads at the monitor's terminals, so that each current meets its "
        "own leg's voltage. Mark the leads by leg.",
        fix_by="visit",
        bring=("screwdriver for the monitor's terminals", "lead markers", "1.5 kW known load"),
        minutes=30,
        prove="Solar off, known 1.5 kW load on an outlet of leg 1: channel L1 rises by about +1.5 kW and the "
        "others stay; then the same on each other leg.",
        habit="Trace each lead from CT to terminal with a finger, and mark both ends before landing it.",
        desk=Stopgap(
            "If the monitor can name its channels and turn their signs, that serves until the visit (as far as "
            "both legs have the same 120 V).",
            (
                Change("channels' names", "L1, L2", "L2, L1", "each CT is on the other leg"),
                Change("sign of both legs", "+1", "−1", "each current meets the opposite voltage"),
            ),
            services=("120/240",),
        ),
        is_taught=True,
    ),
    pictures=("night_levels", "daily_slopes"),
    same_powers_as="reversed",
    needs={"service": "120/240", "volts": 120.0},
)

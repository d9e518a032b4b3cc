"""Each CT is on the other leg's conductor.

On site: L1's CT sits on L2's conductor and L2's on L1's, or their leads are exchanged at the
monitor. The data: each current is multiplied with the wrong voltage. On 120/240 both legs are
negative and exchanged; on 120/208 they are about half size, negative, with heavy reactive power. What
else looks the same: both CTs reversed, told apart only by which leg's voltage sags with which
channel. Crossed and both turned as well is harmless and reads right.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.faults.circuit import Circuit
from pipeline.faults.cts import Wiring
from pipeline.faults.energy_error import bounded, number, read_kwh
from pipeline.faults.types import Change, Channels, Fault, Remedy, Repair, Stopgap, on_two_legs


def _effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Put each channel's CTs on the other leg's conductors; nothing to draw."""
    return replace(wiring.permuted((2, 1)), severity="legs exchanged")


def _inverse(now: Channels, repair: Repair) -> Channels:
    """Give each current its own voltage back; exact with leg voltages (and var on 120/208).

    The true power of leg 2 is S2 = S1' * V2 / V1, that of leg 1 is S1 = S2' * V1 / V2: on 120/240
    times -(v2 / v1), on 120/208 turned by -120 and +120 degrees.
    """
    up, down = now.l2_v / now.l1_v, now.l1_v / now.l2_v
    if repair.service == "120/240":
        return now._replace(
            l1_w=-down * now.l2_w, l2_w=-up * now.l1_w, l1_var=-down * now.l2_var, l2_var=-up * now.l1_var
        )
    sine = 3**0.5 / 2
    return now._replace(
        l1_w=down * (-0.5 * now.l2_w - sine * now.l2_var),
        l1_var=down * (sine * now.l2_w - 0.5 * now.l2_var),
        l2_w=up * (-0.5 * now.l1_w + sine * now.l1_var),
        l2_var=up * (-sine * now.l1_w - 0.5 * now.l1_var),
    )


FAULT = Fault(
    name="legs_crossed",
    title="CTs on each other's legs",
    legs=("both",),
    story="The CT of L1 is on L2's conductor and the other way round, so each current is multiplied "
    "with the wrong voltage.",
    looks_like="reversed on both legs: the same powers on 120/240, only the leg voltages differ",
    fits=on_two_legs,
    effect=_effect,
    inverse=_inverse,
    inverse_needs=("voltages",),
    remains="all",
    # Each reading is minus the other leg's truth: |P1 + P2| a leg, 2 (|P1| + |P2|) at most and nearly always. On
    # 120/208 a load to neutral reads minus half (three times the reading wrong); solar turns as on 120/240.
    wrong_kwh_day={
        "both": bounded(
            pl.when(
                (pl.col("service") == "120/208")
                & ~((number("pv_kwh_day") > 1) & pl.col("is_declared_upstream")).fill_null(False)
            )
            .then(3.0)
            .otherwise(2.0)
            * read_kwh("both")
        )
    },
    wrong_kwh_span=(0.65, 1.1),
    remedy=Remedy(
        action="Exchange the two CTs' leads at the monitor's terminals, so that each current meets its "
        "own leg's voltage. Mark the leads by leg.",
        fix_by="visit",
        bring=("screwdriver for the monitor's terminals", "lead markers", "1.5 kW known load"),
        minutes=30,
        prove="Solar off, known 1.5 kW load on an outlet of leg 1: channel L1 rises by about +1.5 kW and L2 "
        "stays; then the same on leg 2.",
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

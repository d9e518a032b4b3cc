"""A clamp faces the wrong way.

On site: the clamp's source mark points at the loads, or its black/white pair is landed the wrong way
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

from pipeline.circuit import Circuit
from pipeline.fault import Channels, Fault, Piece, Remedy, Repair, always, channels_of
from pipeline.match import (
    above,
    below,
    by_leg,
    near,
    negative,
    one_conductor,
    only_if,
    positive,
    turned_beside_right,
)
from pipeline.misread import bounded, each_leg, other_kwh, read_kwh
from pipeline.wiring import Wiring


def effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Turn every clamp of the leg; nothing to draw."""
    for channel in channels_of(leg, wiring):
        turned = tuple(replace(clamp, is_turned=not clamp.is_turned) for clamp in wiring.clamps(channel))
        wiring = wiring.with_clamps(channel, turned)
    return replace(wiring, severity="sign turned")


def inverse(now: Channels, repair: Repair) -> Channels:
    """Turn the leg's sign back; exact."""
    if repair.leg in ("l1", "both"):
        now = now._replace(l1_w=-now.l1_w, l1_var=-now.l1_var)
    if repair.leg in ("l2", "both"):
        now = now._replace(l2_w=-now.l2_w, l2_var=-now.l2_var)
    return now


REMEDY = Remedy(
    action="Turn the clamp so that its source mark faces the utility, or exchange the two wires of its "
    "lead at the monitor. Where the monitor has a sign setting, that can serve until the visit.",
    fix_by="visit",
    bring=("screwdriver for the monitor's terminals", "1.5 kW hair dryer or heater as known load"),
    minutes=25,
    prove="Solar off, known 1.5 kW load on an outlet of that leg: the leg rises by about +1.5 kW and "
    "stays positive. Solar on again: an upstream leg falls by half the production.",
    habit="Before closing the panel, switch on one known load per leg and read the sign aloud.",
)

PIECES: tuple[Piece, ...] = (
    Piece(
        "reversed_gain",
        "Answers the sun with the sign turned",
        ("gain_l1", "gain_l1_se", "gain_l2", "gain_l2_se"),
        by_leg(lambda leg: near(f"gain_{leg}", -1.0, f"gain_{leg}_se", tolerance=0.15)),
        "slope on PV {slope_l1:+.2f} / {slope_l2:+.2f} W per W, right would be {slope_expected:+.2f}",
    ),
    Piece(
        "turned_alone",
        "One leg answers the sun with the sign turned, the other rightly, and they don't cancel",
        (
            "gain_l1",
            "gain_l1_se",
            "gain_l2",
            "gain_l2_se",
            "mirror_share",
            "step_corr_night",
            "active_steps",
            "mirror_day_share",
            "step_corr_day",
            "active_day_steps",
            "night_l1_high_w",
            "night_l1_low_w",
            "night_l1_w",
            "night_l2_high_w",
            "night_l2_low_w",
            "night_l2_w",
            "night_sum_high_w",
            "night_sum_low_w",
        ),
        {
            leg: turned_beside_right(leg, other) * (1 - one_conductor())
            for leg, other in (("l1", "l2"), ("l2", "l1"))
        },
        "slope on PV {slope_l1:+.2f} / {slope_l2:+.2f} W per W; the legs sum to {night_sum_w:.0f} W by night",
    ),
    Piece(
        "reversed_night",
        "Negative all night",
        (
            "night_l1_negative_share",
            "night_l2_negative_share",
            "night_l1_high_w",
            "nights",
            "is_battery_hidden",
            "night_l2_high_w",
        ),
        by_leg(
            lambda leg: only_if(
                (pl.col("nights") > 0) & ~pl.col("is_battery_hidden"),
                above(f"night_{leg}_negative_share", 0.8, 0.05) * below(f"night_{leg}_high_w", 0.0, 8.0),
            )
        ),
        "negative in {night_l1_negative_share:.0%} / {night_l2_negative_share:.0%} of night intervals",
    ),
    Piece(
        "reversed_sag",
        "Leg voltages move against one reading",
        ("sag_l1_z", "sag_l2_z"),
        {
            "l1": positive("sag_l1_z") * positive("sag_l2_z"),
            "l2": negative("sag_l1_z") * negative("sag_l2_z"),
        },
        "V1 - V2 moves by {sag_l1:+.2f} V per kW of L1 and {sag_l2:+.2f} of L2; right is - and +",
    ),
    Piece(
        "inverted_sag",
        "Leg voltages move against both readings",
        ("sag_l1_z", "sag_l2_z"),
        {"both": positive("sag_l1_z") * negative("sag_l2_z")},
        "V1 - V2 moves by {sag_l1:+.2f} V per kW of L1 and {sag_l2:+.2f} of L2; right is - and +",
    ),
    Piece(
        "both_turned",
        "Both readings negative, each with its own leg's voltage the wrong way round",
        ("sag_l1_z", "sag_l2_z", "gain_sum", "night_sum_high_w"),
        {
            "both": positive("sag_l1_z")
            * negative("sag_l2_z")
            * pl.when((pl.col("gain_sum") < -0.4) | (pl.col("night_sum_high_w") < -10))
            .then(1.0)
            .otherwise(0.0)
        },
        "V1 - V2 moves by {sag_l1:+.2f} V per kW of L1 and {sag_l2:+.2f} of L2, and both readings are negative",
    ),
    Piece(
        "opposite_pairs",
        "240 V loads step the legs in opposite directions",
        ("pair_n", "pair_opposite_share", "night_l2_w", "night_l1_w"),
        {
            leg: only_if(
                pl.col("pair_n") >= 12,
                above("pair_opposite_share", 0.8, 0.05)
                * above(pl.col(f"night_{other}_w") - pl.col(f"night_{leg}_w"), 0.0, 30.0),
            )
            for leg, other in (("l1", "l2"), ("l2", "l1"))
        },
        "{pair_opposite_share:.0%} of {pair_n:.0f} simultaneous big steps go in opposite directions",
    ),
    Piece(
        "noon_only",
        "Silent all night, alive at noon, production added back",
        ("zero_l1_dark_share", "zero_l2_dark_share", "gain_l1", "gain_l2", "is_added_back"),
        by_leg(
            lambda leg: only_if(
                pl.col("is_added_back"),
                above(f"zero_{leg}_dark_share", 0.9, 0.03) * below(f"gain_{leg}", -0.25, 0.1),
            )
        ),
        "zero in {zero_l1_dark_share:.0%} / {zero_l2_dark_share:.0%} of the night, following the sun by day",
    ),
)

# |reading - truth| = 2 |reading|; where production was added back, night and noon read the wrong way from 0 and
# nobody knows the truth but the other leg: |reading| + |truth|.
WRONG_KWH_DAY = {
    **each_leg(
        lambda leg: (
            read_kwh(leg) + pl.when(pl.col("is_added_back")).then(other_kwh(leg)).otherwise(read_kwh(leg))
        )
    ),
    "both": bounded(2 * read_kwh("both")),
}

FAULT = Fault(
    name="reversed",
    legs=("l1", "l2", "both"),
    story="The clamp faces the load instead of the utility, or its lead pair is landed the wrong way round.",
    looks_like="legs_crossed when both legs are negative and no leg voltages are known; a clock hours "
    "off; a battery exporting at night",
    fits=always,
    effect=effect,
    inverse=inverse,
    wrong_kwh_day=WRONG_KWH_DAY,
    pieces=PIECES,
    remedy=REMEDY,
    settles={"both_turned": "legs_crossed"},
)

"""A channel without a clamp.

On site: an open lead, an unplugged connector, an unseated splice. The data: zero within a few watts
of noise, day and night, while the other leg lives. What else looks the same: a logger that writes
dropouts as exactly 0 (on all channels at once, for hours), an added-back and clipped source with a
reversed clamp (zero at night only), a leg that truly carries nothing. No inverse: what was never
measured can't be worked out.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.circuit import Circuit
from pipeline.fault import Fault, Piece, Remedy, always, channels_of
from pipeline.match import above, below, by_leg, near, only_if
from pipeline.misread import bounded, unseen_kwh
from pipeline.wiring import Wiring

NOISE_W = (0.0, 5.0)  # range of the standard deviation of what an open input picks up
BIAS_W = 3.0  # standard deviation of its constant part


def effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Take the leg's clamps off; draw how much the open input rustles."""
    noise_w = float(rng.uniform(*NOISE_W)) if rng.random() < 0.7 else 0.0
    for channel in channels_of(leg, wiring):
        bias_w = rng.normal(0.0, BIAS_W) if noise_w else 0.0
        rustle = bias_w + rng.normal(0.0, noise_w, circuit.size)
        wiring = wiring.with_clamps(channel, ())
        wiring = replace(wiring, offset_1=rustle) if channel == "l1" else replace(wiring, offset_2=rustle)
    return replace(wiring, severity=f"zero with {noise_w:.1f} W of noise")


REMEDY = Remedy(
    action="Follow the lead from the monitor to the clamp: reseat the terminal, the plug and the splice, "
    "and remake the splice if it is in doubt. Replace the clamp if it stays silent.",
    fix_by="visit",
    bring=("spare clamp of the same rating", "insulation-displacement splices and tool", "multimeter"),
    minutes=40,
    prove="Known 1.5 kW load on an outlet of that leg: the channel rises by about +1.5 kW.",
    habit="Tug every terminal and splice, then see each channel move before closing the panel.",
)


def _rest_lives(leg: str) -> pl.Expr:
    """The other leg carries more than a standby, or is as silent; in a home that rests, a leg may carry nothing."""
    other = "l2" if leg == "l1" else "l1"
    return (
        (pl.col("service") == "single")
        | (pl.col(f"{other}_kwh_day") > 2.0)
        | (pl.col(f"tiny_{other}_share") > 0.8)
    )


def _sees_sun(leg: str) -> pl.Expr:
    """The leg answers the sun, so it isn't dead however empty its nights are; 0 where nothing tells."""
    return above(pl.col(f"gain_{leg}").abs() - 2 * pl.col(f"gain_{leg}_se"), 0.4, 0.05).fill_null(0.0)


PIECES: tuple[Piece, ...] = (
    Piece(
        "dead_level",
        "Nothing but noise around zero",
        ("tiny_l1_share", "tiny_l2_share", "l1_kwh_day", "l2_kwh_day", "service"),
        by_leg(lambda leg: only_if(_rest_lives(leg), above(f"tiny_{leg}_share", 0.8, 0.04))),
        "within a few watts of zero in {tiny_l1_share:.0%} / {tiny_l2_share:.0%} of intervals",
    ),
    Piece(
        "dead_night",
        "Nothing but noise all night",
        (
            "night_l1_low_w",
            "night_l1_high_w",
            "night_l2_low_w",
            "night_l2_high_w",
            "tiny_l1_share",
            "tiny_l2_share",
            "l1_kwh_day",
            "l2_kwh_day",
            "service",
            "gain_l1",
            "gain_l1_se",
            "gain_l2",
            "gain_l2_se",
        ),
        by_leg(
            lambda leg: only_if(
                _rest_lives(leg),
                below(
                    pl.max_horizontal(
                        pl.col(f"night_{leg}_high_w").abs(), pl.col(f"night_{leg}_low_w").abs()
                    ),
                    15.0,
                    3.0,
                )
                * (1 - _sees_sun(leg)),
            )
        ),
        "nights from {night_l1_low_w:.0f} to {night_l1_high_w:.0f} W on L1,"
        " {night_l2_low_w:.0f} to {night_l2_high_w:.0f} W on L2",
    ),
    Piece(
        "dead_gain",
        "Doesn't answer the sun and stays near zero",
        (
            "gain_l1",
            "gain_l1_se",
            "gain_l2",
            "gain_l2_se",
            "night_l1_high_w",
            "night_l1_low_w",
            "is_declared_upstream",
            "night_l2_high_w",
            "night_l2_low_w",
        ),
        by_leg(
            lambda leg: only_if(
                pl.col("is_declared_upstream"),
                near(f"gain_{leg}", 0.0, f"gain_{leg}_se")
                * below(
                    pl.max_horizontal(
                        pl.col(f"night_{leg}_high_w").abs(), pl.col(f"night_{leg}_low_w").abs()
                    ),
                    30.0,
                    6.0,
                ),
            )
        ),
        "slope on PV {slope_l1:+.2f} / {slope_l2:+.2f} W per W where {slope_expected:+.2f} is right",
    ),
)

# All of the leg's energy is missing: the other leg's stands for it, an average home's for both.
WRONG_KWH_DAY = {leg: bounded(unseen_kwh(leg)) for leg in ("l1", "l2", "both")}

FAULT = Fault(
    name="dead",
    legs=("l1", "l2", "both"),
    story="The channel gets no signal: an open lead, an unplugged clamp or an unseated splice.",
    looks_like="a logger's dropouts written as exactly 0; a reversed clamp in a source that adds "
    "production back and clips; a leg without load",
    fits=always,
    effect=effect,
    inverse=None,
    wrong_kwh_day=WRONG_KWH_DAY,
    pieces=PIECES,
    remedy=REMEDY,
)

"""Both clamps are on one leg's conductors.

On site: the second clamp was closed around the conductor next to the first instead of the other
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

from pipeline.circuit import Circuit
from pipeline.fault import Fault, Piece, Remedy, channels_of, on_two_legs
from pipeline.match import (
    above,
    below,
    cancels,
    negative,
    one_conductor,
    positive,
    steps_together,
    turned_beside_right,
)
from pipeline.misread import each_leg, other_kwh
from pipeline.wiring import Wiring

ALSO_TURNED_SHARE = 0.25  # how often the misplaced clamp faces the other way as well


def effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Move the leg's clamps to the other leg; draw whether they are turned as well."""
    is_turned = bool(rng.random() < ALSO_TURNED_SHARE)
    channel = channels_of(leg, wiring)[0]
    moved = tuple(
        replace(clamp, leg=3 - clamp.leg, is_turned=clamp.is_turned != is_turned)
        for clamp in wiring.clamps(channel)
    )
    wiring = wiring.with_clamps(channel, moved)
    return replace(wiring, severity="a copy: misplaced and turned" if is_turned else "a mirror image")


REMEDY = Remedy(
    action="Move the misplaced clamp to its own leg's conductor (follow the conductor to the breaker's "
    "pole, not the colour of its insulation).",
    fix_by="visit",
    bring=("voltage tester", "lead markers", "1.5 kW known load"),
    minutes=35,
    prove="Solar off, known 1.5 kW load on an outlet of the missing leg: its channel rises by about "
    "+1.5 kW and the other stays.",
    habit="Measure 240 V (208 V) between the two conductors you clamp: 0 V means the same leg twice.",
)


def _same_levels() -> pl.Expr:
    """The legs' low, middle and high of the night agree, as two readings of one conductor do."""
    apart = [
        ((pl.col(f"night_l1_{q}") - pl.col(f"night_l2_{q}")).abs() - 4)
        / pl.max_horizontal(pl.col(f"night_l1_{q}").abs(), pl.col(f"night_l2_{q}").abs(), pl.lit(20.0))
        for q in ("low_w", "w", "high_w")
    ]
    return below(pl.max_horizontal(apart), 0.05, 0.01)


PIECES: tuple[Piece, ...] = (
    Piece(
        "mirror_steps",
        "One leg mirrors the other",
        (
            "mirror_share",
            "mirror_day_share",
            "active_steps",
            "step_corr_night",
            "step_corr_day",
            "active_day_steps",
            "night_l2_w",
            "night_l1_w",
        ),
        {
            leg: steps_together("mirror")
            * above(pl.col(f"night_{other}_w") - pl.col(f"night_{leg}_w"), 0.0, 20.0)
            for leg, other in (("l1", "l2"), ("l2", "l1"))
        },
        "{mirror_share:.0%} of {active_steps:.0f} night steps are the other leg's with the sign turned",
    ),
    Piece(
        "copied_steps",
        "One leg copies the other",
        (
            "equal_share",
            "equal_day_share",
            "active_steps",
            "step_corr_night",
            "step_corr_day",
            "active_day_steps",
            "sag_one_z",
        ),
        {
            leg: steps_together("equal") * (sign("sag_one_z", 2.0).fill_null(0.5))
            for leg, sign in (("l1", positive), ("l2", negative))
        },
        "{equal_share:.0%} of {active_steps:.0f} night steps are the same on both legs",
    ),
    Piece(
        "copied_levels",
        "The legs stand at the same height all night and step alike",
        (
            "night_l1_w",
            "night_l2_w",
            "night_l1_high_w",
            "night_l2_high_w",
            "equal_share",
            "night_l1_low_w",
            "night_l2_low_w",
            "step_corr_night",
            "active_steps",
            "equal_day_share",
            "step_corr_day",
            "active_day_steps",
        ),
        {"both": _same_levels() * steps_together("equal")},
        "nights around {night_l1_w:.0f} W on L1 and {night_l2_w:.0f} W on L2",
        tells_leg=False,
    ),
    Piece(
        "one_conductor",
        "Both legs read the same conductor: same height, same steps, nothing of their own",
        (
            "step_corr_night",
            "equal_share",
            "night_l1_low_w",
            "night_l2_low_w",
            "night_l1_w",
            "night_l2_w",
            "night_l1_high_w",
            "night_l2_high_w",
            "active_steps",
            "equal_day_share",
            "step_corr_day",
            "active_day_steps",
        ),
        {
            "both": _same_levels()
            * steps_together("equal")
            * above("step_corr_night", 0.993, 0.0015)
            * above(pl.max_horizontal("night_l1_high_w", "night_l2_high_w"), 60.0, 10.0)
        },
        "the legs' night steps correlate with r {step_corr_night:.3f}",
        tells_leg=False,
    ),
    Piece(
        "sum_near_zero",
        "The legs cancel out",
        (
            "night_l1_w",
            "night_l2_w",
            "night_sum_high_w",
            "night_sum_low_w",
            "night_l1_high_w",
            "night_l2_high_w",
            "night_l1_low_w",
            "night_l2_low_w",
        ),
        {"both": cancels()},
        "the legs sum to {night_sum_low_w:.0f} to {night_sum_high_w:.0f} W by night",
        tells_leg=False,
    ),
    Piece(
        "opposed_gains",
        "The legs answer the sun in opposite directions and mirror each other's steps",
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
            leg: turned_beside_right(leg, other) * one_conductor()
            for leg, other in (("l1", "l2"), ("l2", "l1"))
        },
        "slope on PV {slope_l1:+.2f} and {slope_l2:+.2f} W per W",
    ),
)

# The leg never seen is taken to be like the other: a mirror image errs by both, a copy by as much as one.
WRONG_KWH_DAY = each_leg(
    lambda leg: (
        pl.when((pl.col("equal_share") > pl.col("mirror_share")).fill_null(False)).then(1.0).otherwise(2.0)
        * other_kwh(leg)
    ),
    has_both=False,
)

FAULT = Fault(
    name="same_leg",
    legs=("l1", "l2"),
    story="Both clamps are around one leg's conductors; the other leg is not measured at all.",
    looks_like="a home with nearly all load at 240 V; one clamp reversed",
    fits=on_two_legs,
    effect=effect,
    inverse=None,
    wrong_kwh_day=WRONG_KWH_DAY,
    pieces=PIECES,
    remedy=REMEDY,
    kinds=("copy", "mirror"),
)

"""A part of the leg's current passes outside the clamp.

On site: one CT of a parallel pair is missing, or one conductor or bundle was left outside the jaws.
The data: a part of the load is never seen; upstream the slope on production shrinks with it (-0.25
for one of two parallel conductors), downstream only the utility meter or the steps of 240 V loads
tell. What else looks the same: a loose core or a wrong ratio (which scale everything, and the ratio
both legs), a home with uneven legs. No inverse: at the loads what ran outside was never measured;
upstream the reading is a share of the truth, but that share is only estimated, from the answer to
production.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.circuit import Circuit
from pipeline.fault import Fault, Piece, Remedy, always, channels_of
from pipeline.match import above, below, between, by_leg, near, only_if, steady
from pipeline.misread import each_leg, part_seen, read_kwh
from pipeline.wiring import Clamp, Wiring

HALF_SHARE = 0.6  # how often a lone CT misses one of two equal conductors
# Clamps in class on both legs differ by up to this (logarithm) at power factor 0.5 (IEC 61869-2 class 1: 12 %).
UNEVEN = 0.24
ENCLOSED = (0.3, 0.75)  # range of the enclosed share otherwise


def _outside(clamp: Clamp, rng: np.random.Generator) -> tuple[Clamp, str]:
    """Leave a conductor outside a lone clamp: half of everything upstream, a bundle at the loads."""
    if clamp.source == 0.0 and rng.random() < HALF_SHARE:
        is_a = rng.random() < 0.5
        kept = replace(clamp, load_a=0.0) if is_a else replace(clamp, load_b=0.0)
        return kept, "one load bundle outside"
    share = 0.5 if rng.random() < HALF_SHARE else float(rng.uniform(*ENCLOSED))
    kept = replace(
        clamp, load_a=clamp.load_a * share, load_b=clamp.load_b * share, source=clamp.source * share
    )
    return kept, f"{share:.2f} of the current enclosed"


def effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Take one clamp of a pair away, or leave a conductor outside a lone one."""
    words = "one clamp of the pair missing"
    for channel in channels_of(leg, wiring):
        clamps = wiring.clamps(channel)
        if len(clamps) > 1:
            gone = int(rng.integers(len(clamps)))
            kept = clamps[:gone] + clamps[gone + 1 :]
        else:
            lone, words = _outside(clamps[0], rng)
            kept = (lone,)
        wiring = wiring.with_clamps(channel, kept)
    return replace(wiring, severity=words)


REMEDY = Remedy(
    action="Count the leg's conductors and enclose every one of them: add the missing parallel clamp or "
    "lay the conductor left outside into the jaws.",
    fix_by="visit",
    bring=("clamp of the same rating", "splices and tool", "clamp meter"),
    minutes=45,
    prove="Clamp meter around all of the leg's conductors against the reading at the same moment, with "
    "a 240 V load running: within 5 %.",
    habit="Count conductors out of the panel and conductors in the clamps: the two numbers must agree.",
)


def _low_for_sure(leg: str) -> pl.Expr:
    """The leg sees a part of the sun, well measured; null where it isn't."""
    part = between(f"gain_{leg}", 0.13, 0.88, f"gain_{leg}_se", se_max=0.15)
    return only_if(pl.col(f"gain_{leg}_se") < 0.06, part)


def _right(leg: str) -> pl.Expr:
    return near(f"gain_{leg}", 1.0, f"gain_{leg}_se")


PIECES: tuple[Piece, ...] = (
    Piece(
        "low_gain",
        "Sees only part of the sun",
        ("gain_l1", "gain_l1_se", "gain_l2", "gain_l2_se", "is_battery_hidden"),
        by_leg(
            lambda leg: only_if(
                ~pl.col("is_battery_hidden"),
                between(f"gain_{leg}", 0.13, 0.86, f"gain_{leg}_se", se_max=0.15),
            )
        ),
        "slope on PV {slope_l1:+.2f} / {slope_l2:+.2f} W per W, right would be {slope_expected:+.2f}",
    ),
    Piece(
        "steady_low_gain",
        "Sees part of the sun, the same part day after day",
        (
            "gain_l1",
            "gain_l1_se",
            "gain_l2",
            "gain_l2_se",
            "slope_scatter",
            "gain_sum",
            "slope_am",
            "slope_pm",
            "slope_am_se",
            "slope_pm_se",
            "slope_days",
        ),
        {
            "both": _low_for_sure("l1") * _low_for_sure("l2") * steady(),
            **{
                leg: _low_for_sure(leg) * only_if(pl.col(f"gain_{other}_se") < 0.06, _right(other)) * steady()
                for leg, other in (("l1", "l2"), ("l2", "l1"))
            },
        },
        "slope on PV {slope_l1:+.2f} / {slope_l2:+.2f} W per W, the same on {slope_days:.0f} days",
    ),
    Piece(
        "half_gain",
        "Sees half the sun, as one of two parallel conductors does",
        ("gain_l1", "gain_l1_se", "gain_l2", "gain_l2_se", "is_battery_hidden"),
        by_leg(
            lambda leg: only_if(
                ~pl.col("is_battery_hidden"), near(f"gain_{leg}", 0.5, f"gain_{leg}_se", se_max=0.12)
            )
        ),
        "slope on PV {slope_l1:+.2f} / {slope_l2:+.2f} W per W: half of right is -0.25",
    ),
    Piece(
        "uneven_pairs",
        "240 V loads step one leg less than the other",
        ("pair_log_ratio", "pair_log_se", "pair_n", "service"),
        {
            leg: only_if(
                (pl.col("pair_n") >= 15) & (pl.col("pair_log_se") < 0.12) & (pl.col("service") == "120/240"),
                above(pl.col("pair_log_ratio") * sign - 2 * pl.col("pair_log_se"), UNEVEN, 0.03),
            )
            for leg, sign in (("l1", 1.0), ("l2", -1.0))
        },
        "{pair_n:.0f} simultaneous big steps: L2 steps exp({pair_log_ratio:+.2f}) times L1",
    ),
    Piece(
        "uneven_sag",
        "One leg's voltage sags more for each watt it reads: a part of its current isn't read",
        ("sag_log_ratio", "sag_log_se", "service"),
        {
            leg: only_if(
                (pl.col("sag_log_se") < 0.15) & (pl.col("service") == "120/240"),
                above(pl.col("sag_log_ratio") * sign - 2 * pl.col("sag_log_se"), 0.15, 0.03),
            )
            for leg, sign in (("l1", 1.0), ("l2", -1.0))
        },
        "V1 - V2 moves by {sag_l1:+.2f} V per kW of L1 and {sag_l2:+.2f} of L2; right are equal sizes",
    ),
    Piece(
        "meter_low",
        "The utility meter counts more than the leg shows",
        ("meter_gain_l1", "meter_gain_l2", "meter_r2", "meter_gain_se"),
        by_leg(
            lambda leg: only_if(
                (pl.col("meter_r2") > 0.5) & (pl.col("meter_gain_se") < 0.1),
                above(f"meter_gain_{leg}", 0.15, 0.04) * below(f"meter_gain_{leg}", 0.86, 0.013),
            )
        ),
        "against the utility meter L1 reads {meter_gain_l1:.2f} and L2 {meter_gain_l2:.2f} of the truth",
    ),
    Piece(
        "meter_unseen",
        "The utility meter moves with loads no clamp sees",
        ("meter_r2", "meter_share"),
        {"both": only_if(pl.col("meter_share") > 0.5, 1 - above("meter_r2", 0.97, 0.008))},
        "clamps and PV explain {meter_r2:.0%} of the utility meter's steps",
        tells_leg=False,
    ),
)

# (1 / g - 1) |reading|, with g the share of the current that is enclosed; unknown: one of two conductors.
WRONG_KWH_DAY = each_leg(lambda leg: (1 / part_seen(leg, default=0.5) - 1) * read_kwh(leg))

FAULT = Fault(
    name="partial",
    legs=("l1", "l2", "both"),
    story="A parallel clamp is missing or a conductor was left outside, so part of the leg is never seen.",
    looks_like="loose_core; wrong_ratio when on both legs; a home whose load sits mostly on the other leg",
    fits=always,
    effect=effect,
    inverse=None,
    wrong_kwh_day=WRONG_KWH_DAY,
    pieces=PIECES,
    remedy=REMEDY,
)

"""The lead picks up what runs beside it.

On site: an extension that is untwisted, or made of wires from two pairs, laid along other
conductors. The data: an offset that wanders by tens to hundreds of watts, and a copy of the other
leg leaking in. What else looks the same: a busy home (but its offset is never negative at night), a
meter with coarse noise, a small battery nobody told us about. No inverse: the offset is as good as
random.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from pipeline.circuit import Circuit, Float
from pipeline.fault import Fault, Piece, Remedy, always, channels_of
from pipeline.match import above, below, by_leg, only_if
from pipeline.misread import each_leg, number, other_kwh
from pipeline.wiring import Wiring

LEAK = (0.05, 0.30)  # share of the other channel's current that gets in
LEAK_DEG = 60.0  # its phase is anything up to this, either way up
WANDER_W = (25.0, 300.0)  # standard deviation of the wandering offset, drawn on a log scale
WANDER_MIN = (20.0, 600.0)  # how long it remembers itself, drawn on a log scale


def _wander(circuit: Circuit, size_w: float, memory_min: float, rng: np.random.Generator) -> Float:
    """Return a first-order autoregressive offset [W], by exact filtering in blocks."""
    keep = float(np.exp(-circuit.minutes / memory_min))
    drive = rng.normal(0.0, size_w * np.sqrt(1.0 - keep**2), circuit.size)
    drive[0] = rng.normal(0.0, size_w)
    out = drive
    step, factor = 1, keep
    while step < circuit.size and factor > 1e-6:  # doubling: sum of keep^k * drive shifted by k
        shifted = out.copy()
        shifted[step:] += factor * out[:-step]
        out, step, factor = shifted, step * 2, factor**2
    return out


def effect(wiring: Wiring, circuit: Circuit, leg: str, rng: np.random.Generator) -> Wiring:
    """Draw the leak's share, phase and sense, and the offset's size and memory."""
    size_w = float(np.exp(rng.uniform(*np.log(WANDER_W))))
    memory_min = float(np.exp(rng.uniform(*np.log(WANDER_MIN))))
    share = float(rng.uniform(*LEAK)) * (1.0 if rng.random() < 0.5 else -1.0)
    leak = complex(share * np.exp(1j * np.deg2rad(rng.uniform(-LEAK_DEG, LEAK_DEG))))
    for channel in channels_of(leg, wiring):
        offset = _wander(circuit, size_w, memory_min, rng) + rng.normal(0.0, size_w / 2)
        if channel == "l1":
            wiring = replace(wiring, leak_1=leak, offset_1=wiring.offset_1 + offset)
        else:
            wiring = replace(wiring, leak_2=leak, offset_2=wiring.offset_2 + offset)
    return replace(wiring, severity=f"leak {abs(share):.2f}, wander {size_w:.0f} W over {memory_min:.0f} min")


REMEDY = Remedy(
    action="Replace the extension by one twisted pair, both wires of one colour pair, away from other "
    "conductors and no longer than needed.",
    fix_by="visit",
    bring=("twisted-pair lead, enough for the run", "splices and tool"),
    minutes=50,
    prove="All loads of that leg off: the reading stays within a few watts of 0 while a 1.5 kW load runs "
    "on the other leg.",
    habit="One clamp, one twisted pair: never split a pair, never share one.",
)


def _no_floor(leg: str) -> pl.Expr:
    """The leg's nights end at another low each time, and inside a night the lowest lies by itself."""
    soft = above(f"floor_{leg}_drop_w", 35.0, 6.0) * above(f"floor_{leg}_soft_w", 8.0, 2.0)
    return only_if(
        (pl.col("nights") > 4) & ~pl.col("has_battery"), soft * below(f"glitch_{leg}_day", 0.5, 0.1)
    )


def _has_floor(leg: str) -> pl.Expr:
    return below(f"floor_{leg}_drop_w", 14.0, 2.5) * below(f"floor_{leg}_soft_w", 8.0, 2.0)


PIECES: tuple[Piece, ...] = (
    Piece(
        "leak_turned",
        "Copies a share of the other leg with the sign turned, as no load does",
        ("leak_l1", "leak_l1_se", "leak_l2", "leak_l2_se"),
        by_leg(
            lambda leg: only_if(
                pl.col(f"leak_{leg}_se") < 0.03,
                above(-pl.col(f"leak_{leg}") - 2 * pl.col(f"leak_{leg}_se"), 0.02, 0.006),
            )
        ),
        "steps of the other leg alone show as {leak_l1:+.2f} on L1 and {leak_l2:+.2f} on L2",
    ),
    Piece(
        "leak",
        "Copies a share of the other leg",
        ("leak_l1", "leak_l1_se", "leak_l2", "leak_l2_se"),
        by_leg(
            lambda leg: only_if(
                pl.col(f"leak_{leg}_se") < 0.03,
                above(pl.col(f"leak_{leg}") - 2 * pl.col(f"leak_{leg}_se"), 0.05, 0.012),
            )
        ),
        "steps of the other leg alone show as {leak_l1:+.2f} on L1 and {leak_l2:+.2f} on L2",
    ),
    Piece(
        "leak_always",
        "Copies a share of nearly every step of the other leg",
        ("leak_least_l1", "leak_least_l2", "leak_l1_se", "leak_l2_se"),
        by_leg(
            lambda leg: only_if(
                pl.col(f"leak_{leg}_se") < 0.06, above(pl.col(f"leak_least_{leg}").abs(), 0.04, 0.01)
            )
        ),
        "of the other leg's steps at least {leak_least_l1:+.2f} show on L1 and {leak_least_l2:+.2f} on L2",
    ),
    Piece(
        "below_zero",
        "Below zero now and then by night, with no battery",
        (
            "nights",
            "has_battery",
            "night_l1_negative_share",
            "night_l2_negative_share",
            "glitch_l1_day",
            "glitch_l2_day",
        ),
        by_leg(
            lambda leg: only_if(
                (pl.col("nights") > 2) & ~pl.col("has_battery"),
                above(f"night_{leg}_negative_share", 0.004, 0.0012)
                * below(f"night_{leg}_negative_share", 0.6, 0.06)
                * below(f"glitch_{leg}_day", 0.5, 0.1),
            )
        ),
        "negative in {night_l1_negative_share:.1%} / {night_l2_negative_share:.1%} of night intervals",
    ),
    Piece(
        "no_floor",
        "Its nights have no floor: they end at another low each time, as no standby does",
        (
            "nights",
            "has_battery",
            "floor_l1_drop_w",
            "floor_l2_drop_w",
            "floor_l1_soft_w",
            "floor_l2_soft_w",
            "glitch_l1_day",
            "glitch_l2_day",
        ),
        by_leg(_no_floor),
        "one night in ten falls {floor_l1_drop_w:.0f} / {floor_l2_drop_w:.0f} W below the usual low",
    ),
    Piece(
        "one_without_floor",
        "One leg's nights have no floor and dip below zero, the other's have one: no battery does that",
        (
            "nights",
            "floor_l1_drop_w",
            "floor_l1_soft_w",
            "floor_l2_drop_w",
            "floor_l2_soft_w",
            "glitch_l1_day",
            "glitch_l2_day",
            "has_battery",
            "night_l1_negative_share",
            "night_l2_negative_share",
        ),
        {
            leg: _no_floor(leg) * _has_floor(other) * above(f"night_{leg}_negative_share", 0.003, 0.001)
            for leg, other in (("l1", "l2"), ("l2", "l1"))
        },
        "one night in ten falls {floor_l1_drop_w:.0f} / {floor_l2_drop_w:.0f} W below the usual low, and "
        "{night_l1_negative_share:.1%} / {night_l2_negative_share:.1%} of night intervals are negative",
    ),
    Piece(
        "wander",
        "Its floor wanders from night to night, below zero as well",
        (
            "l1_night_wander",
            "l2_night_wander",
            "night_l1_negative_share",
            "night_l2_negative_share",
            "glitch_l1_day",
            "nights",
            "is_battery_hidden",
            "glitch_l2_day",
        ),
        by_leg(
            lambda leg: only_if(
                (pl.col("nights") > 2) & ~pl.col("is_battery_hidden"),
                above(f"{leg}_night_wander", 60.0, 15.0)
                * below(f"glitch_{leg}_day", 0.5, 0.1)
                * above(f"night_{leg}_negative_share", 0.01, 0.004)
                * (1 - above(f"night_{leg}_negative_share", 0.9, 0.03)),
            )
        ),
        "nightly lows spread over {l1_night_wander:.0f} / {l2_night_wander:.0f} W",
    ),
    Piece(
        "extended_lead",
        "The lead was extended, by the register",
        ("lead_extended",),
        {"both": pl.col("lead_extended").cast(pl.Float64)},
        "leads extended, by the register: {lead_extended}",
        tells_leg=False,
    ),
)

# |leak| x the other leg + 24 h x the offset's mean size: 0.31 of the spread (10 to 90 %) of a normal wander.
WRONG_KWH_DAY = each_leg(
    lambda leg: (
        number(f"leak_{leg}").abs().fill_null(LEAK[0]).clip(0.0, 1.0) * other_kwh(leg)
        + 0.024 * 0.31 * number(f"{leg}_night_wander").abs().fill_null(0.0)
    )
)

FAULT = Fault(
    name="pickup_noise",
    legs=("l1", "l2", "both"),
    story="The lead's extension is untwisted or a split pair, and picks up what runs beside it.",
    looks_like="a busy home; a noisy meter; an undeclared small battery",
    fits=always,
    effect=effect,
    inverse=None,
    wrong_kwh_day=WRONG_KWH_DAY,
    pieces=PIECES,
    remedy=REMEDY,
)

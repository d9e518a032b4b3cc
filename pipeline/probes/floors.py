"""Floors: what stands by gives a night a hard floor; an offset that wanders takes it away."""

from __future__ import annotations

import polars as pl

from pipeline.probes.probe import ALWAYS, ONE_LINE, Probe, Quantity, leg_quantity, watts

PROBE = Probe(
    "floors",
    "Floor of the nights",
    (
        Quantity("drop", watts("floor_{}_drop_w"), "leg", wrong="high", unit="asinh(W/20)", floor=0.05),
        Quantity("soft", watts("floor_{}_soft_w"), "leg", wrong="high", unit="asinh(W/20)", floor=0.05),
        Quantity("wander", watts("{}_night_wander"), "leg", wrong="high", unit="asinh(W/20)", floor=0.05),
        leg_quantity("negative_share", "night_{}_negative_share", "high", floor=0.001),
        leg_quantity("glitches", "glitch_{}_day", unit="1/day", floor=0.02),
        Quantity("low", watts("night_{}_low_w"), "leg", unit="asinh(W/20)", floor=0.05),
        Quantity("sum_low", watts("night_sum_low_w"), "home", unit="asinh(W/20)", floor=0.05),
    ),
    (
        (
            ONE_LINE,
            "one night in ten falls {floor_l1_drop_w:.0f} W below the usual low (right is a few watts)",
        ),
        (
            ALWAYS,
            "one night in ten falls {floor_l1_drop_w:.0f} W (L1) and {floor_l2_drop_w:.0f} W (L2) below the usual "
            "low (right is a few watts)",
        ),
    ),
    pl.col("floor_l1_drop_w").is_not_null(),
    count=(pl.col("nights").cast(pl.Float64), "nights"),
)

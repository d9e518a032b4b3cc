"""Zeros: a leg without a signal, always or now and then, while the rest of the home lives."""

from __future__ import annotations

import polars as pl

from pipeline.probes.probe import ALWAYS, SINGLE, Probe, home_quantity, leg_quantity, watt_quantity

ZEROS = Probe(
    "zeros",
    "No signal",
    (
        leg_quantity("zero_share", "zero_{}_share", "high", floor=0.001),
        leg_quantity("tiny_share", "tiny_{}_share", "high", floor=0.002, decides=0.8),
        leg_quantity("lone_share", "lone_zero_{}_share", "high", floor=0.001, decides=0.6),
        leg_quantity("gap_share", "gap_{}_share", "high", floor=0.001),
        leg_quantity("sharpness", "gap_{}_sharpness", "high", floor=0.01),
        leg_quantity("drops", "drop_{}_day", "high", unit="1/day", floor=0.02, decides=10.0),
        leg_quantity("in_dark_share", "zero_{}_dark_share", "high", floor=0.001),
        watt_quantity("night", "night_{}_w"),
        home_quantity("all_share", "zero_all_share"),
    ),
    (
        (SINGLE, "zero in {zero_l1_share:.1%} of intervals, near zero in {tiny_l1_share:.1%} (right is hardly ever)"),
        (ALWAYS, "zero while the rest lives in {lone_zero_l1_share:.1%} (L1) and {lone_zero_l2_share:.1%} (L2) of "
         "intervals, near zero in {tiny_l1_share:.0%} and {tiny_l2_share:.0%} (right is hardly ever)"),
    ),
    pl.col("zero_l1_share").is_not_null(),
)  # fmt: skip

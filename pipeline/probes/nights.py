"""Nights: with no sun and no battery, a household only consumes."""

from __future__ import annotations

import polars as pl

from pipeline.probes.probe import ALWAYS, ONE_LINE, Probe, Quantity, home_quantity, leg_quantity, watts

PROBE = Probe(
    "nights",
    "Overnight baseload",
    (
        *(
            Quantity(name, watts(f"night_{{}}_{column}"), "leg", wrong="low", unit="asinh(W/20)", floor=0.05)
            for name, column in (("middle", "w"), ("low", "low_w"), ("high", "high_w"))
        ),
        *(
            Quantity(
                f"sum_{name}",
                watts(f"night_sum_{column}"),
                "home",
                wrong="low",
                unit="asinh(W/20)",
                floor=0.05,
            )
            for name, column in (("middle", "w"), ("low", "low_w"), ("high", "high_w"))
        ),
        leg_quantity("negative_share", "night_{}_negative_share", "high", floor=0.002, decides=0.25),
        home_quantity("sum_negative_share", "night_sum_negative_share", "high", floor=0.002),
        home_quantity("nights", "nights", is_compared=False),
    ),
    (
        (
            ONE_LINE,
            "by night it reads {night_l1_w:.0f} W and is negative in {night_l1_negative_share:.1%} of intervals "
            "(right is never)",
        ),
        (
            ALWAYS,
            "by night L1 reads {night_l1_w:.0f} W and L2 {night_l2_w:.0f} W, negative in "
            "{night_l1_negative_share:.1%} and {night_l2_negative_share:.1%} of intervals (right is never)",
        ),
    ),
    pl.col("nights") > 0,
    count=(pl.col("nights").cast(pl.Float64), "nights"),
)

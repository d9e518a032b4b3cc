"""Nights: with no sun and no battery a household only consumes, and what stands by gives a night a hard floor."""

from __future__ import annotations

import polars as pl

from pipeline.probes.probe import ALWAYS, SINGLE, Probe, home_quantity, leg_quantity, watt_quantity

_COUNT = (pl.col("nights").cast(pl.Float64), "nights")
_LEVELS = {"middle": "w", "low": "low_w", "high": "high_w"}

NIGHTS = Probe(
    "nights",
    "Overnight baseload",
    (
        *(watt_quantity(name, f"night_{{}}_{column}", wrong="low") for name, column in _LEVELS.items()),
        *(watt_quantity(f"sum_{name}", f"night_sum_{column}", "home", wrong="low") for name, column in _LEVELS.items()),
        leg_quantity("negative_share", "night_{}_negative_share", "high", floor=0.002, decides=0.25),
        home_quantity("sum_negative_share", "night_sum_negative_share", "high", floor=0.002),
        home_quantity("nights", is_compared=False),
    ),
    (
        (SINGLE, "by night it reads {night_l1_w:.0f} W and is negative in {night_l1_negative_share:.1%} of intervals "
         "(right is never)"),
        (ALWAYS, "by night L1 reads {night_l1_w:.0f} W and L2 {night_l2_w:.0f} W, negative in "
         "{night_l1_negative_share:.1%} and {night_l2_negative_share:.1%} of intervals (right is never)"),
    ),
    pl.col("nights") > 0,
    count=_COUNT,
)  # fmt: skip

# An offset that wanders takes the floor away.
FLOORS = Probe(
    "floors",
    "Floor of the nights",
    (
        watt_quantity("drop", "floor_{}_drop_w", wrong="high"),
        watt_quantity("soft", "floor_{}_soft_w", wrong="high"),
        watt_quantity("wander", "{}_night_wander", wrong="high"),
        leg_quantity("negative_share", "night_{}_negative_share", "high", floor=0.001),
        leg_quantity("glitches", "glitch_{}_day", unit="1/day", floor=0.02),
        watt_quantity("low", "night_{}_low_w"),
        watt_quantity("sum_low", "night_sum_low_w", "home"),
    ),
    (
        (SINGLE, "one night in ten falls {floor_l1_drop_w:.0f} W below the usual low (right is a few watts)"),
        (ALWAYS, "one night in ten falls {floor_l1_drop_w:.0f} W (L1) and {floor_l2_drop_w:.0f} W (L2) below the "
         "usual low (right is a few watts)"),
    ),
    pl.col("floor_l1_drop_w").is_not_null(),
    count=_COUNT,
)  # fmt: skip

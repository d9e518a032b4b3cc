"""240 V loads: both legs step at once by the same amount."""

from __future__ import annotations

import polars as pl

from pipeline.probes.probe import ALWAYS, Probe, Quantity, column, home_quantity

PROBE = Probe(
    "pairs",
    "240 V steps",
    (
        Quantity(
            "log_ratio", column("pair_log_ratio"), "contrast", column("pair_log_se"), wrong="high", floor=0.01
        ),
        home_quantity("log_ratio_error", "pair_log_se", is_compared=False),
        home_quantity("opposite_share", "pair_opposite_share", "high"),
        home_quantity("steps", "pair_n", is_compared=False),
    ),
    (
        (
            ALWAYS,
            "where both legs step at once L2 steps {pair_ratio:.2f} times as much as L1, with opposite signs in "
            "{pair_opposite_share:.0%} of {pair_n:.0f} (right is 1 and few)",
        ),
    ),
    pl.col("pair_n").fill_null(0) > 5,
    (pl.col("pair_log_ratio").exp().alias("pair_ratio"),),
    count=(pl.col("pair_n").cast(pl.Float64), "steps"),
)

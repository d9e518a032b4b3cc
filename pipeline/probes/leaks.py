"""Leaks: what a leg copies of the other leg's steps, as leads that run side by side do."""

from __future__ import annotations

import polars as pl

from pipeline.probes.probe import ALWAYS, Probe, Quantity, column, leg_quantity

PROBE = Probe(
    "leaks",
    "Copy of the other leg's steps",
    (
        Quantity(
            "leak",
            column("leak_{}"),
            "leg",
            column("leak_{}_se"),
            wrong="both",
            unit="W/W",
            floor=0.004,
            decides=1.0,
        ),
        leg_quantity("leak_error", "leak_{}_se", unit="W/W", is_compared=False),
        Quantity(
            "least",
            lambda leg: pl.col(f"leak_least_{leg}").abs(),
            "leg",
            wrong="high",
            unit="W/W",
            floor=0.002,
        ),
    ),
    (
        (
            ALWAYS,
            "a step of the other leg alone shows as {leak_l1:+.2f} of it on L1 and {leak_l2:+.2f} on L2 (right is 0)",
        ),
    ),
    pl.col("leak_l1").is_not_null() | pl.col("leak_l2").is_not_null(),
)

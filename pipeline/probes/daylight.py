"""Daylight: what the readings do while the sun is up, and whether they are there without it."""

from __future__ import annotations

import polars as pl

from pipeline.probes.probe import ALWAYS, ONE_LINE, Probe, Quantity, home_quantity, leg_quantity, watts

PROBE = Probe(
    "daylight",
    "Readings by day against the dark",
    (
        leg_quantity("negative_share", "day_{}_negative_share", "high", floor=0.002),
        leg_quantity("pv_correlation", "pv_corr_{}"),
        leg_quantity("sky_correlation", "sky_corr_{}"),
        leg_quantity("zero_in_dark_share", "zero_{}_dark_share", "high", floor=0.002),
        Quantity("dark_size", watts("dark_{}_size_w"), "leg", unit="asinh(W/20)", floor=0.05),
        Quantity("energy", watts("{}_kwh_day", 0.5), "leg", unit="asinh(kWh/0.5)", floor=0.05),
        home_quantity("balanced_share", "balanced_share"),
        leg_quantity("gain", "gain_{}", is_compared=False),
    ),
    (
        (
            ONE_LINE,
            "by day the reading goes with PV by a correlation of {pv_corr_l1:+.2f}, in the dark it is zero in "
            "{zero_l1_dark_share:.0%} of intervals",
        ),
        (
            ALWAYS,
            "by day L1 goes with PV by a correlation of {pv_corr_l1:+.2f} and L2 by {pv_corr_l2:+.2f}, in the dark "
            "they are zero in {zero_l1_dark_share:.0%} and {zero_l2_dark_share:.0%} of intervals",
        ),
    ),
    pl.col("pv_corr_l1").is_not_null(),
)

"""Daylight: what the readings do while the sun is up and without it, and the production channel itself."""

from __future__ import annotations

import polars as pl

from pipeline.probes.probe import (
    ALWAYS,
    SINGLE,
    Probe,
    Quantity,
    home_quantity,
    leg_quantity,
    watt_quantity,
    watts,
)  # fmt: skip

_RATED_W = pl.when(pl.col("pv_kw") > 0).then(pl.col("pv_kw") * 1000)

DAYLIGHT = Probe(
    "daylight",
    "Readings by day against the dark",
    (
        leg_quantity("negative_share", "day_{}_negative_share", "high", floor=0.002),
        leg_quantity("pv_correlation", "pv_corr_{}"),
        leg_quantity("sky_correlation", "sky_corr_{}"),
        leg_quantity("zero_in_dark_share", "zero_{}_dark_share", "high", floor=0.002),
        watt_quantity("dark_size", "dark_{}_size_w"),
        Quantity("energy", watts("{}_kwh_day", 0.5), "leg", unit="asinh(kWh/0.5)", floor=0.05),
        home_quantity("balanced_share", "balanced_share"),
        leg_quantity("gain", "gain_{}", is_compared=False),
    ),
    (
        (SINGLE, "by day the reading goes with PV by a correlation of {pv_corr_l1:+.2f}, in the dark it is zero in "
         "{zero_l1_dark_share:.0%} of intervals"),
        (ALWAYS, "by day L1 goes with PV by a correlation of {pv_corr_l1:+.2f} and L2 by {pv_corr_l2:+.2f}, in the "
         "dark they are zero in {zero_l1_dark_share:.0%} and {zero_l2_dark_share:.0%} of intervals"),
    ),
    pl.col("pv_corr_l1").is_not_null(),
)  # fmt: skip

# By the clock of the sun, dark by night, as large as the array.
PRODUCTION = Probe(
    "production",
    "The production reading",
    (
        home_quantity("sky_correlation", "sky_corr_pv"),
        home_quantity("noon", "pv_noon_h", unit="h"),
        home_quantity("dark_share", "pv_dark_share", floor=0.002),
        home_quantity("alive_in_dark_share", "pv_dark_live_share", "high", floor=0.002, decides=0.6),
        Quantity("peak_of_rating", lambda _: pl.col("pv_max_w") / _RATED_W),
        Quantity("hours_of_rating", lambda _: 1000 * pl.col("pv_kwh_day") / _RATED_W, unit="h"),
    ),
    (
        (pl.col("pv_noon_h").is_null() & pl.col("pv_dark_live_share").is_not_null(),
         "production is alive in {pv_dark_live_share:.0%} of the intervals without sun (right is never)"),
        (ALWAYS, "production lies {pv_noon_h:+.1f} h from the sun's noon, and {pv_dark_share:.1%} of it in the dark "
         "(right is 0 and none)"),
    ),
    pl.col("pv_noon_h").is_not_null(),
)  # fmt: skip

"""The production channel itself: by the clock of the sun, dark by night, as large as the array."""

from __future__ import annotations

import polars as pl

from pipeline.probes.probe import ALWAYS, Probe, Quantity, home_quantity

_RATED_W = pl.when(pl.col("pv_kw") > 0).then(pl.col("pv_kw") * 1000)

PROBE = Probe(
    "production",
    "The production reading",
    (
        home_quantity("sky_correlation", "sky_corr_pv"),
        home_quantity("noon", "pv_noon_h", unit="h"),
        home_quantity("dark_share", "pv_dark_share", floor=0.002),
        home_quantity("alive_in_dark_share", "pv_dark_live_share", "high", floor=0.002, decides=0.6),
        Quantity("peak_of_rating", lambda _: pl.col("pv_max_w") / _RATED_W, "home"),
        Quantity("hours_of_rating", lambda _: 1000 * pl.col("pv_kwh_day") / _RATED_W, "home", unit="h"),
    ),
    (
        (
            pl.col("pv_noon_h").is_null() & pl.col("pv_dark_live_share").is_not_null(),
            "production is alive in {pv_dark_live_share:.0%} of the intervals without sun (right is never)",
        ),
        (
            ALWAYS,
            "production lies {pv_noon_h:+.1f} h from the sun's noon, and {pv_dark_share:.1%} of it in the dark "
            "(right is 0 and none)",
        ),
    ),
    pl.col("pv_noon_h").is_not_null(),
)

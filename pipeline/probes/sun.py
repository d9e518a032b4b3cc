"""By the sun: how much of each watt of production a leg's reading shows, against a right CT's."""

from __future__ import annotations

import polars as pl

from pipeline.probes.probe import ALWAYS, ONE_LINE, Probe, Quantity, column, home_quantity, leg_quantity

RIGHT = pl.col("expected_gain")


def _before_against_after_noon(_: str) -> pl.Expr:
    return (pl.col("slope_am") - pl.col("slope_pm")).abs()


_SAID = "for each watt of PV"
PROBE = Probe(
    "sun",
    "Answer to production",
    (
        Quantity(
            "gain", column("gain_{}"), "leg", column("gain_{}_se"), RIGHT, "both", floor=0.01, decides=0.35
        ),
        Quantity(
            "gain_sum",
            column("gain_sum"),
            "home",
            column("gain_sum_se"),
            RIGHT,
            "both",
            floor=0.01,
            decides=0.3,
        ),
        leg_quantity("gain_error", "gain_{}_se", is_compared=False),
        home_quantity("gain_sum_error", "gain_sum_se", is_compared=False),
        Quantity("gain_apart", lambda _: (pl.col("gain_l1") - pl.col("gain_l2")).abs(), "home"),
        Quantity("noon_apart", _before_against_after_noon, "home"),
        home_quantity("days_apart", "slope_scatter"),
        home_quantity("slope_net", "slope_net"),
        home_quantity("slope_days", "slope_days", is_compared=False),
    ),
    (
        (
            ONE_LINE & RIGHT.is_not_null(),
            "the reading moves {slope_l1:+.2f} W " + _SAID + " (right is {slope_expected:+.2f})",
        ),
        (ONE_LINE, "the reading moves {slope_l1:+.2f} W " + _SAID),
        (
            RIGHT.is_not_null(),
            "L1 moves {slope_l1:+.2f} W and L2 {slope_l2:+.2f} W "
            + _SAID
            + " (right is {slope_expected:+.2f})",
        ),
        (
            ALWAYS,
            "L1 moves {slope_l1:+.2f} W and L2 {slope_l2:+.2f} W "
            + _SAID
            + " (the record doesn't say what is right)",
        ),
    ),
    pl.col("gain_l1").is_not_null() & (pl.col("gain_sum_se") < 0.5),
    count=(pl.col("slope_days").cast(pl.Float64), "days with ramps"),
)

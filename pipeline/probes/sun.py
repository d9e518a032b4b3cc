"""By the sun: what of each watt of production a leg's reading shows, against a right CT's, and at which phase."""

from __future__ import annotations

import polars as pl

from pipeline.probes.probe import ALWAYS, SINGLE, Probe, Quantity, column, home_quantity, leg_quantity

RIGHT = pl.col("expected_gain")
_HAS_RIGHT = RIGHT.is_not_null()
_COUNT = (pl.col("slope_days").cast(pl.Float64), "days with ramps")
_SINGLE_SLOPE = "the reading moves {slope_l1:+.2f} W for each watt of PV"
_LEG_SLOPES = "L1 moves {slope_l1:+.2f} W and L2 {slope_l2:+.2f} W for each watt of PV"
_RIGHT_SLOPE = " (right is {slope_expected:+.2f})"


def _difference(first: str, second: str) -> pl.Expr:
    return (pl.col(first) - pl.col(second)).abs()


def _lead_deg(leg: str) -> pl.Expr:
    """Return the lead [deg]; a leg that doesn't answer production has no phase towards it."""
    return pl.when(pl.col(f"gain_{leg}").abs() > 0.25).then(pl.col(f"phase_{leg}_deg"))


SUN = Probe(
    "sun",
    "Answer to production",
    (
        Quantity("gain", column("gain_{}"), "leg", column("gain_{}_se"), RIGHT, "both", floor=0.01, decides=0.35),
        Quantity("gain_sum", column("gain_sum"), "home", column("gain_sum_se"), RIGHT, "both", floor=0.01,
                 decides=0.3),
        leg_quantity("gain_error", "gain_{}_se", is_compared=False),
        home_quantity("gain_sum_error", "gain_sum_se", is_compared=False),
        Quantity("gain_apart", lambda _: _difference("gain_l1", "gain_l2")),
        Quantity("noon_apart", lambda _: _difference("slope_am", "slope_pm")),
        home_quantity("days_apart", "slope_scatter"),
        home_quantity("slope_net"),
        home_quantity("slope_days", is_compared=False),
    ),
    (
        (SINGLE & _HAS_RIGHT, _SINGLE_SLOPE + _RIGHT_SLOPE),
        (SINGLE, _SINGLE_SLOPE),
        (_HAS_RIGHT, _LEG_SLOPES + _RIGHT_SLOPE),
        (ALWAYS, _LEG_SLOPES + " (the record doesn't say what is right)"),
    ),
    pl.col("gain_l1").is_not_null() & (pl.col("gain_sum_se") < 0.5),
    count=_COUNT,
)  # fmt: skip

# By the ramps' reactive power: how far a leg's current leads, as an open core makes it.
PHASE = Probe(
    "phase",
    "Phase on PV ramps",
    (
        Quantity("lead", _lead_deg, "leg", column("phase_{}_se_deg"), wrong="both", unit="deg", floor=0.5,
                 decides=20.0),
        leg_quantity("lead_error", "phase_{}_se_deg", unit="deg", is_compared=False),
        leg_quantity("gain", "gain_{}", is_compared=False),
    ),
    (
        (SINGLE, "on PV ramps the current leads by {phase_l1_deg:.0f} degrees (right is near 0)"),
        (ALWAYS, "on PV ramps L1's current leads by {phase_l1_deg:.0f} degrees and L2's by {phase_l2_deg:.0f} "
         "(right is near 0)"),
    ),
    pl.col("phase_l1_se_deg") < 10,
    count=_COUNT,
)  # fmt: skip

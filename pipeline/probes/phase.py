"""By the ramps' reactive power: how far a leg's current leads, as an open core makes it."""

from __future__ import annotations

import polars as pl

from pipeline.probes.probe import ALWAYS, ONE_LINE, Probe, Quantity, column, leg_quantity


def _lead(leg: str) -> pl.Expr:
    """Return the lead [deg]; a leg that doesn't answer production has no phase towards it."""
    return pl.when(pl.col(f"gain_{leg}").abs() > 0.25).then(pl.col(f"phase_{leg}_deg"))


PROBE = Probe(
    "phase",
    "Phase on PV ramps",
    (
        Quantity(
            "lead",
            _lead,
            "leg",
            column("phase_{}_se_deg"),
            wrong="both",
            unit="deg",
            floor=0.5,
            decides=20.0,
        ),
        leg_quantity("lead_error", "phase_{}_se_deg", unit="deg", is_compared=False),
        leg_quantity("gain", "gain_{}", is_compared=False),
    ),
    (
        (ONE_LINE, "on PV ramps the current leads by {phase_l1_deg:.0f} degrees (right is near 0)"),
        (
            ALWAYS,
            "on PV ramps L1's current leads by {phase_l1_deg:.0f} degrees and L2's by {phase_l2_deg:.0f} "
            "(right is near 0)",
        ),
    ),
    pl.col("phase_l1_se_deg") < 10,
    count=(pl.col("slope_days").cast(pl.Float64), "days with ramps"),
)

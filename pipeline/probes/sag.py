"""Voltage sag: which leg a CT is really on, by what its own voltage does."""

from __future__ import annotations

import polars as pl

from pipeline.probes.probe import ALWAYS, Probe, Quantity, column, home_quantity


def _ordinary(column: str) -> Quantity:
    """A leg's sag so that positive is right on both legs: L1 pulls V1 - V2 down, L2 up."""
    return Quantity(
        column,
        lambda leg: (
            pl.col(f"sag_{leg}_z" if column == "own_z" else f"sag_{leg}") * (-1.0 if leg == "l1" else 1.0)
        ),
        "leg",
        wrong="low" if column == "own_z" else "",
        unit="se" if column == "own_z" else "V/kW",
    )


PROBE = Probe(
    "sag",
    "Voltage sag",
    (
        _ordinary("own_z"),
        _ordinary("own_v"),
        # Legs' resistances differ from home to home: how much, the fleet itself says.
        Quantity(
            "log_ratio", column("sag_log_ratio"), "contrast", column("sag_log_se"), wrong="high", floor=0.05
        ),
        home_quantity("log_ratio_error", "sag_log_se", is_compared=False),
        Quantity("one_leg_z", column("sag_one_z"), "contrast", unit="se"),
        home_quantity("apart", "sag_apart", is_compared=False),
        home_quantity("size", "sag_v_per_kw", unit="V/kW"),
        Quantity("volts_log_ratio", lambda _: pl.col("volt_ratio").abs().log(), "contrast"),
    ),
    (
        (
            ALWAYS,
            "V1 - V2 moves {sag_l1:+.2f} V for each kW of L1 and {sag_l2:+.2f} V for each kW of L2 (right is minus "
            "and plus)",
        ),
    ),
    pl.col("sag_l1_z").is_not_null(),
)

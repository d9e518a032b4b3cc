"""The utility meter: import less export must equal load less production, so it proves scale and coverage."""

from __future__ import annotations

import polars as pl

from pipeline.probes.probe import ALWAYS, SINGLE, Probe, Quantity, home_quantity


def _log_gain(leg: str) -> pl.Expr:
    """Return ln of reading over truth; a meter that counts against a leg is a gain as small as can be told."""
    gain = pl.col(f"meter_gain_{leg}")
    return pl.when(gain.is_not_null()).then(gain.clip(0.02, 50.0).log())


def _log_gain_error(leg: str) -> pl.Expr:
    # The gain is one over the regression's coefficient b: d ln(1/b) = db / b.
    return pl.col(f"meter_{leg}_se") * pl.col(f"meter_gain_{leg}").abs()


METER = Probe(
    "meter",
    "Utility meter",
    (
        Quantity("log_gain", _log_gain, "leg", _log_gain_error, wrong="both", floor=0.01, decides=0.35),
        Quantity("log_gain_error", _log_gain_error, "leg", is_compared=False),
        home_quantity("explained", "meter_r2", "low"),
        home_quantity("production_weight", "meter_probe"),
        home_quantity("energy_ratio", "meter_energy_ratio"),
        home_quantity("share", "meter_share", is_compared=False),
    ),
    (
        (SINGLE, "by the utility meter the reading is {meter_gain_l1:.2f} times the truth (right is 1)"),
        (ALWAYS, "by the utility meter L1 reads {meter_gain_l1:.2f} and L2 {meter_gain_l2:.2f} times the truth "
         "(right is 1)"),
    ),
    pl.col("meter_gain_l1").is_not_null(),
)  # fmt: skip

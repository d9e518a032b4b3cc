"""What is normal in the example's fleet: one spread twice as wide as elsewhere, one middle that moved overnight."""

from __future__ import annotations

import polars as pl

from pipeline.scoring.normal import NORMAL_SCHEMA

# probe, quantity, stratum, unit, own centre and spread, shipped centre and spread, values
ROWS = (
    ("sun", "gain", "upstream", "-", 0.996, 0.032, 0.999, 0.0143, 184),
    ("sun", "gain", "at the loads", "-", 0.001, 0.011, 0.0, 0.01, 40),
    ("sun", "gain_sum", "upstream", "-", 0.995, 0.026, 0.998, 0.0272, 92),
    ("sun", "gain_apart", "upstream", "-", 0.02, 0.025, 0.027, 0.033, 92),
    ("nights", "middle", "upstream", "asinh(W/20)", 2.83, 1.12, 2.84, 0.87, 184),
    ("nights", "negative_share", "upstream", "-", 0.0, 0.002, 0.0, 0.002, 184),
    ("production", "noon", "upstream", "h", -0.04, 0.58, 0.0, 0.52, 92),
    ("pairs", "log_ratio", "upstream", "-", 0.0, 0.02, 0.0, 0.025, 180),
    ("meter", "log_gain", "upstream", "-", -0.003, 0.016, 0.0, 0.017, 12),
    ("phase", "lead", "position unknown", "deg", None, None, 0.0, 0.5, 0),
)


def table(rows: tuple[tuple[object, ...], ...]) -> pl.DataFrame:
    """Return table fleet_normal; what the night used is what the fleet shows."""
    return pl.DataFrame(
        [
            {
                "probe": probe, "quantity": quantity, "stratum": stratum, "unit": unit,
                "centre": there if own is None else own, "spread": wide if spread is None else spread,
                "homes": values, "own_centre": own, "own_spread": spread, "shipped_centre": there,
                "shipped_spread": wide,
            }
            for probe, quantity, stratum, unit, own, spread, there, wide, values in rows
        ],
        schema_overrides=NORMAL_SCHEMA,
    )  # fmt: skip


NORMAL = table(ROWS)
# The night before, noon lay elsewhere.
BEFORE = table(tuple((*row[:4], -0.9, *row[5:]) if row[1] == "noon" else row for row in ROWS))

"""What the register says of the home: no quantity of its own, it says how all others are to be read."""

from __future__ import annotations

import polars as pl

from pipeline.probes.probe import ALWAYS, Probe, Quantity, home_quantity


def _flag(name: str, column: str) -> Quantity:
    return Quantity(name, lambda _: pl.col(column).cast(pl.Float64), "home", is_compared=False)


PROBE = Probe(
    "register",
    "What the record says",
    (
        home_quantity("declared_upstream", "expected_gain", is_compared=False),
        _flag("added_back", "is_added_back"),
        Quantity(
            "single", lambda _: (pl.col("service") == "single").cast(pl.Float64), "home", is_compared=False
        ),
        Quantity(
            "network", lambda _: (pl.col("service") == "120/208").cast(pl.Float64), "home", is_compared=False
        ),
        _flag("battery", "has_battery"),
        _flag("battery_hidden", "is_battery_hidden"),
        home_quantity("cts_per_leg", "cts_per_leg", is_compared=False),
        _flag("lead_extended", "lead_extended"),
        Quantity(
            "interval", lambda _: pl.col("length_min").cast(pl.Float64).log(), "home", is_compared=False
        ),
        home_quantity("nights", "nights", is_compared=False),
    ),
    (
        (
            pl.col("lead_extended").fill_null(False),
            "the record: {cts_per_leg:.0f} CT a leg, lead extended",
        ),
        (ALWAYS, "the record: {cts_per_leg:.0f} CT a leg"),
    ),
    pl.lit(True),
)

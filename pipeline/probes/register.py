"""What the register says of the home: no quantity of its own, it says how all others are to be read."""

from __future__ import annotations

import polars as pl

from pipeline.probes.probe import ALWAYS, Probe, Quantity, column, home_quantity


def _entry(name: str, value: pl.Expr) -> Quantity:
    return Quantity(name, lambda _: value.cast(pl.Float64), is_compared=False)


REGISTER = Probe(
    "register",
    "What the record says",
    (
        home_quantity("declared_upstream", "expected_gain", is_compared=False),
        _entry("added_back", pl.col("is_added_back")),
        _entry("single", pl.col("service") == "single"),
        _entry("network", pl.col("service") == "120/208"),
        _entry("battery", pl.col("has_battery")),
        _entry("battery_hidden", pl.col("is_battery_hidden")),
        home_quantity("cts_per_leg", is_compared=False),
        _entry("lead_extended", pl.col("lead_extended")),
        Quantity("interval", lambda leg: column("length_min")(leg).log(), is_compared=False),
        home_quantity("nights", is_compared=False),
    ),
    (
        (pl.col("lead_extended").fill_null(False), "the record: {cts_per_leg:.0f} CT a leg, lead extended"),
        (ALWAYS, "the record: {cts_per_leg:.0f} CT a leg"),
    ),
    pl.lit(True),
)

"""What the register says of the home: no quantity of its own, it says how all others are to be read."""

from __future__ import annotations

import polars as pl

from pipeline.core import services
from pipeline.core.glossary import POSITIONS, SERVICES
from pipeline.core.number_text import number
from pipeline.probes.leg_text import Row, value_of
from pipeline.probes.probe import Probe, Quantity, column, home_quantity

_ONE_LINE = tuple(name for name, service in services.SERVICES.items() if service.line_count == 1)


def _entry(name: str, value: pl.Expr) -> Quantity:
    return Quantity(name, lambda _: value.cast(pl.Float64), is_compared=False)


def _volts() -> pl.Expr:
    """Return the service's volts from a line to neutral."""
    volts = {name: service.volts for name, service in services.SERVICES.items()}
    return pl.col("service").replace_strict(volts, default=None, return_dtype=pl.Float64)


def fed_lines() -> pl.Expr:
    """Return how many lines production feeds."""
    return pl.sum_horizontal((pl.col(f"pv_share_{line}") > 0).cast(pl.Float64) for line in services.LINES)


def _tell(row: Row) -> str:
    upstream, cts = row.get("is_declared_upstream"), value_of(row, "cts_per_leg")
    service = services.SERVICES.get(row.get("service") or "")
    word = "line" if service is not None and service.line_count > 2 else "leg"
    facts = [
        SERVICES.get(row.get("service") or "", ""),
        "CT location not recorded" if upstream is None else f"CTs {POSITIONS[upstream]}",
        "" if cts is None else f"{number(cts)} CT{'' if cts == 1 else 's'} per {word}",
        "leads extended" if row.get("lead_extended") else "",
        ("battery not metered" if row.get("is_battery_hidden") else "battery")
        if row.get("has_battery")
        else "",
        f"source adds PV production back to the {word}s" if row.get("is_added_back") else "",
    ]
    return f"site record: {', '.join(filter(None, facts))}"


REGISTER = Probe(
    "register",
    "Site record",
    (
        home_quantity("declared_upstream", "expected_gain", is_compared=False),
        _entry("added_back", pl.col("is_added_back")),
        _entry("single", pl.col("service").is_in(_ONE_LINE)),
        _entry("network", pl.col("service") == "120/208"),
        _entry("battery", pl.col("has_battery")),
        _entry("battery_hidden", pl.col("is_battery_hidden")),
        home_quantity("cts_per_leg", is_compared=False),
        _entry("lead_extended", pl.col("lead_extended")),
        Quantity("interval", lambda leg: column("length_min")(leg).log(), is_compared=False),
        home_quantity("nights", is_compared=False),
        Quantity("volts", lambda _: _volts(), unit="V", is_compared=False, least_lines=3),
        Quantity("fed_lines", lambda _: fed_lines(), is_compared=False, least_lines=3),
    ),
    _tell,
    (
        "is_declared_upstream",
        "service",
        "cts_per_leg",
        "lead_extended",
        "has_battery",
        "is_battery_hidden",
        "is_added_back",
    ),
    pl.lit(True),
)

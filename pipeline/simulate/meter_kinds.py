"""The ways in which a utility's file of a meter may be, and one such file."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl


@dataclass(frozen=True)
class MeterKind:
    """How a utility's file is: interval, step it counts in, what it meters, by how much its labels are late."""

    minutes: int
    step_wh: float = 1.0
    meters: str = "both"  # "both", "net", "import"
    late_intervals: int = 0
    is_espi: bool = False
    has_ended: bool = False


KINDS = {
    "quarter_hours": MeterKind(15, is_espi=True),
    "hourly": MeterKind(60, is_espi=True),
    "shifted": MeterKind(15, late_intervals=1),
    "net_only": MeterKind(60, meters="net"),
    "two_decimals": MeterKind(60, step_wh=10.0),
    "import_only": MeterKind(15, meters="import"),
    "ended_early": MeterKind(60, is_espi=True, has_ended=True),
}


@dataclass(frozen=True)
class MeterFile:
    """A home's meter as its utility sends it: `rows` have interval_start (UTC), import_wh, export_wh, net_wh."""

    usage_point: str
    kind: MeterKind
    rows: pl.DataFrame

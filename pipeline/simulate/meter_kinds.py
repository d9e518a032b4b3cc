"""The ways in which a utility's file of a meter may be, and one home's part of such files."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl


@dataclass(frozen=True)
class MeterKind:
    """How a utility's file is: interval, step it counts in, what it meters, how many intervals its labels are late."""

    minutes: int
    step_wh: float = 1.0
    is_net: bool = False
    is_import_only: bool = False
    late_intervals: int = 0
    is_espi: bool = False
    has_ended: bool = False


KINDS = {
    "quarter_hours": MeterKind(15, is_espi=True),
    "hourly": MeterKind(60, is_espi=True),
    "shifted": MeterKind(15, late_intervals=1),
    "net_only": MeterKind(60, is_net=True),
    "two_decimals": MeterKind(60, step_wh=10.0),
    "import_only": MeterKind(15, is_import_only=True),
    "ended_early": MeterKind(60, is_espi=True, has_ended=True),
}


@dataclass(frozen=True)
class MeterFile:
    """A home's meter: `rows` have site_id, interval_start (naive UTC), minutes, import_wh, export_wh (null: none)."""

    kind: MeterKind
    rows: pl.DataFrame

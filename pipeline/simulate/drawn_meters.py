"""Which simulated homes have their meter in a file of the utility, and of which kind; files in LAKE/utility."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from pipeline.core.contract import IMPORT_METER, NET_METER
from pipeline.faults.circuit import Float
from pipeline.simulate.home import CleanHome
from pipeline.simulate.meter_kinds import KINDS, MeterFile
from pipeline.simulate.utility_files import write_espi, write_meter_csv

ACCURACY = 0.004  # of a revenue meter
_ENDED_DAYS = 60  # before the last day that a meter which ended early stops; half the time in a shorter lake
_ROWS: dict[str, Any] = {
    "site_id": pl.String, "interval_start": pl.Datetime("us"), "minutes": pl.Int64, "import_wh": pl.Float64,
    "export_wh": pl.Float64,
}  # fmt: skip


def draw_meter(home: CleanHome, site_id: str, rng: np.random.Generator) -> MeterFile | None:
    """Return what the utility sends of this home; None where it sends nothing ([FleetSpec] utility_share)."""
    spec, window = home.spec, home.plan.window
    is_there = rng.random() < spec.utility_share
    kind = KINDS[str(rng.choice(spec.utility_kinds or tuple(KINDS)))]
    net_w = home.net_w * (1 + rng.normal(0.0, ACCURACY))
    if not is_there:
        return None

    def counted(power_w: Float) -> Float:
        energy_wh = power_w.reshape(-1, kind.minutes // window.step).mean(axis=1) * (kind.minutes / 60)
        rounded: Float = np.round(energy_wh / kind.step_wh) * kind.step_wh
        return rounded

    taken, given = counted(np.maximum(net_w, 0.0)), counted(np.maximum(-net_w, 0.0))
    if kind.is_net:
        net = counted(net_w)
        taken, given = np.maximum(net, 0.0), np.maximum(-net, 0.0)
    first = datetime(window.start.year, window.start.month, window.start.day)
    interval = timedelta(minutes=kind.minutes)
    rows = pl.DataFrame(
        {
            "site_id": [site_id] * len(taken),
            "interval_start": [first + (row + kind.late_intervals) * interval for row in range(len(taken))],
            "minutes": [kind.minutes] * len(taken),
            "import_wh": taken,
            "export_wh": [None] * len(taken) if kind.is_import_only else given,
        },
        schema=_ROWS,
    )
    left_out = min(_ENDED_DAYS, window.days // 2) * 1440 // kind.minutes if kind.has_ended else 0
    return MeterFile(kind, rows.head(len(taken) - left_out))


def write_meters(folder: Path, meters: Sequence[MeterFile], shard: int) -> list[dict[str, Any]]:
    """Write these meters' files into `folder`, an ESPI feed and CSVs a shard; return their rows of register meters."""
    rows = {
        "feed": [meter.rows for meter in meters if meter.kind.is_espi],
        "net": [meter.rows for meter in meters if not meter.kind.is_espi and meter.kind.is_net],
        "registers": [meter.rows for meter in meters if not meter.kind.is_espi and not meter.kind.is_net],
    }
    for name, frames in rows.items():
        if not frames:
            continue
        folder.mkdir(parents=True, exist_ok=True)
        if name == "feed":
            write_espi(folder / f"feed-{shard:04d}.xml", pl.concat(frames))
        else:
            write_meter_csv(folder / f"{name}-{shard:04d}.csv", pl.concat(frames), is_net=name == "net")
    return [
        {
            "site_id": meter.rows["site_id"][0],
            "usage_point": meter.rows["site_id"][0],
            "kind": IMPORT_METER if meter.kind.is_import_only else NET_METER,
        }
        for meter in meters
    ]

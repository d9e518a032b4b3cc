"""What the utility would send of its meters at simulated homes: files in LAKE/utility, as ESPI feeds and as CSV."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from pipeline.faults.circuit import Float
from pipeline.simulate.home import CleanHome
from pipeline.simulate.meter_kinds import KINDS, MeterFile

ACCURACY = 0.004  # of a revenue meter
_ENDED_DAYS = 60  # before the last day that a meter "ended early" stops, half the time in a shorter lake
_FORWARD, _REVERSE = 1, 19  # flow directions of ESPI: delivered to the home, received from it


def draw_meter(home: CleanHome, rng: np.random.Generator) -> MeterFile | None:
    """Return the utility's file of this home; None for most where few have one ([FleetSpec] utility_share)."""
    spec, window = home.spec, home.plan.window
    is_there = rng.random() < spec.utility_share
    kind = KINDS[str(rng.choice(spec.utility_kinds or tuple(KINDS)))]
    net_w = home.net_w * (1 + rng.normal(0.0, ACCURACY))
    if not is_there:
        return None

    def counted(power_w: Float) -> Float:
        steps = kind.minutes // window.step
        energy = power_w.reshape(-1, steps).mean(axis=1) * (kind.minutes / 60)
        rounded: Float = np.round(energy / kind.step_wh) * kind.step_wh
        return rounded

    taken, given, net = counted(np.maximum(net_w, 0.0)), counted(np.maximum(-net_w, 0.0)), counted(net_w)
    first = datetime(window.start.year, window.start.month, window.start.day)
    interval = timedelta(minutes=kind.minutes)
    start = [first + (number + kind.late_intervals) * interval for number in range(len(net))]
    left_out = min(_ENDED_DAYS, window.days // 2) * 1440 // kind.minutes if kind.has_ended else 0
    absent = [None] * len(net)
    rows = pl.DataFrame(
        {
            "interval_start": start,
            "import_wh": absent if kind.meters == "net" else taken,
            "export_wh": given if kind.meters == "both" else absent,
            "net_wh": net if kind.meters == "net" else absent,
        },
        schema={
            "interval_start": pl.Datetime("us"), **dict.fromkeys(("import_wh", "export_wh", "net_wh"), pl.Float64),
        },
    )  # fmt: skip
    return MeterFile(f"UP{home.plan.number:05d}", kind, rows.head(len(net) - left_out))


def write_utility_files(folder: Path, meters: Iterable[MeterFile], shard: int) -> None:
    """Write these meters' files into the folder: an ESPI feed a meter, and one CSV of the others of the shard."""
    plain = []
    for meter in meters:
        folder.mkdir(parents=True, exist_ok=True)
        if meter.kind.is_espi:
            (folder / f"{meter.usage_point}.xml").write_text(espi_feed(meter), encoding="utf-8")
        else:
            plain.append(meter.rows.select(pl.lit(meter.usage_point).alias("usage_point"), pl.all()))
    if plain:
        pl.concat(plain).write_csv(folder / f"meters-{shard:04d}.csv", datetime_format="%Y-%m-%dT%H:%M:%SZ")


def meter_row(site_id: str, meter: MeterFile) -> dict[str, Any]:
    """Return the meter's row of the register meters."""
    kind = "import" if meter.kind.meters == "import" else "net"
    return {"site_id": site_id, "usage_point": meter.usage_point, "kind": kind}


def espi_feed(meter: MeterFile) -> str:
    """Return a feed of NAESB REQ.21 (ESPI): the usage point, and a reading a direction with blocks of a day."""
    rows, point = meter.rows, f"RetailCustomer/1/UsagePoint/{meter.usage_point}"
    start = (rows["interval_start"].dt.epoch("s")).to_list()
    entries = [
        _entry(
            point, "RetailCustomer/1/UsagePoint", [f"{point}/MeterReading"],
            "<UsagePoint><ServiceCategory><kind>0</kind></ServiceCategory></UsagePoint>",
        ),
        _entry("LocalTimeParameters/1", "LocalTimeParameters", [], _UTC),
    ]  # fmt: skip
    for direction, name in ((_FORWARD, "import_wh"), (_REVERSE, "export_wh")):
        reading, read_type = (
            f"{point}/MeterReading/{direction}",
            f"ReadingType/{meter.usage_point}-{direction}",
        )
        entries.append(
            _entry(
                reading, f"{point}/MeterReading", [f"{reading}/IntervalBlock", read_type], "<MeterReading/>"
            )
        )
        entries.append(_entry(read_type, "ReadingType", [], _reading_type(direction, meter.kind.minutes)))
        for number, block in enumerate(_blocks(start, rows[name].to_list(), meter.kind.minutes)):
            entries.append(_entry(f"{reading}/IntervalBlock/{number}", f"{reading}/IntervalBlock", [], block))
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n<feed xmlns="http://www.w3.org/2005/Atom">\n'
        f"<id>urn:{meter.usage_point}</id>\n<title>meter</title>\n<updated>2026-01-01T00:00:00Z</updated>\n"
        + "".join(entries)
        + "</feed>\n"
    )


_UTC = (
    "<LocalTimeParameters><dstEndRule>00000000</dstEndRule><dstOffset>0</dstOffset>"
    "<dstStartRule>00000000</dstStartRule><tzOffset>0</tzOffset></LocalTimeParameters>"
)


def _entry(self_path: str, up: str, related: Sequence[str], content: str) -> str:
    links = [("self", self_path), ("up", up), *(("related", path) for path in related)]
    name, rest = content[1:].split(">", 1)
    closed = "/" if name.endswith("/") else ""
    espi = f'<{name.removesuffix("/")} xmlns="http://naesb.org/espi"{closed}>{rest}'
    return (
        "<entry>"
        + f"<id>urn:{self_path}</id>"
        + "".join(f'<link rel="{rel}" href="{path}"/>' for rel, path in links)
        + f"<content>{espi}</content></entry>\n"
    )


def _reading_type(direction: int, minutes: int) -> str:
    return (
        "<ReadingType><accumulationBehaviour>4</accumulationBehaviour><commodity>1</commodity>"
        f"<flowDirection>{direction}</flowDirection><intervalLength>{60 * minutes}</intervalLength>"
        "<kind>12</kind><powerOfTenMultiplier>0</powerOfTenMultiplier><uom>72</uom></ReadingType>"
    )


def _blocks(start: Sequence[int], energy_wh: Sequence[float], minutes: int) -> Iterable[str]:
    a_day = 1440 // minutes
    for first in range(0, len(start), a_day):
        part = slice(first, first + a_day)
        readings = "".join(
            f"<IntervalReading><timePeriod><duration>{60 * minutes}</duration><start>{at}</start></timePeriod>"
            f"<value>{value:.0f}</value></IntervalReading>\n"
            for at, value in zip(start[part], energy_wh[part], strict=True)
        )
        yield (
            f"<IntervalBlock><interval><duration>{60 * minutes * len(start[part])}</duration>"
            f"<start>{start[first]}</start></interval>{readings}</IntervalBlock>"
        )

"""Writes what a utility would send of invented homes: ESPI feeds (NAESB REQ.21, Atom XML), plain CSV of their meters.

Rows are frames of site_id, interval_start (naive UTC), minutes, import_wh and export_wh; each may be null. A home's
usage point is called by its site_id, so that a lake needs no register of meters for them.
"""

from __future__ import annotations

import gzip
import random
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import IO
from xml.sax.saxutils import escape, quoteattr

import polars as pl

from pipeline.core.atomic_files import replacing

# FlowDirectionKind of NAESB REQ.21.
_FLOWS = {"import_wh": 1, "export_wh": 19, "net_wh": 4}
_PUBLISHED = datetime(2026, 1, 1)
_HEAD = (
    '<?xml version="1.0" encoding="UTF-8"?>\n<feed xmlns="http://www.w3.org/2005/Atom">\n'
    "<id>urn:uuid:{id}</id><title>Invented homes</title><updated>{updated}</updated>\n"
)


def write_espi(
    path: Path,
    rows: pl.DataFrame,
    *,
    power_of_ten: int = 0,
    is_net: bool = False,
    published: datetime = _PUBLISHED,
    shuffle: int | None = None,
) -> None:
    """Write an ESPI feed, gzipped if the name ends so: a usage point a home, a block a day and register.

    Parameters
    ----------
    path
        The file.
    rows
        The readings; null is left out.
    power_of_ten
        Values are whole numbers of 10 ** this many Wh, rounded.
    is_net
        Write one signed register, import less export, instead of two.
    published
        When the utility published it (UTC): a block sent again later has a later time.
    shuffle
        Seed of another order of the entries; None: usage point, meter reading, reading type, blocks.
    """
    entries = _entries(rows, power_of_ten, is_net, _stamp(published))
    if shuffle is not None:
        mixed = list(entries)
        random.Random(shuffle).shuffle(mixed)
        entries = iter(mixed)
    with _open(path) as file:
        file.write(_HEAD.format(id=uuid.uuid5(uuid.NAMESPACE_URL, path.name), updated=_stamp(published)))
        for entry in entries:
            file.write(entry)
        file.write("</feed>\n")


def write_meter_csv(
    path: Path,
    rows: pl.DataFrame,
    *,
    unit: str = "Wh",
    zone: str = "UTC",
    labelled: str = "start",
    is_net: bool = False,
    delimiter: str = ",",
    decimal: str = ".",
    time_format: str = "%Y-%m-%d %H:%M",
) -> None:
    """Write usage_point, interval_start and import_wh and export_wh (or net_wh) as delimited text.

    Parameters
    ----------
    path
        The file, gzipped if the name ends so.
    rows
        The readings.
    unit
        "Wh" or "kWh".
    zone
        IANA name of the zone of the times, which carry no offset.
    labelled
        "start" or "end" of the interval.
    is_net
        One signed column, import less export.
    delimiter, decimal, time_format
        As the text is to look.
    """
    local = pl.col("interval_start")
    if labelled == "end":
        local = local + pl.duration(minutes=pl.col("minutes"))
    local = local.dt.replace_time_zone("UTC").dt.convert_time_zone(zone).dt.strftime(time_format)
    names = ("net_wh",) if is_net else ("import_wh", "export_wh")
    scale = 1000.0 if unit == "kWh" else 1.0
    energies = [
        (pl.col(name) / scale).cast(pl.String).str.replace(".", decimal, literal=True) for name in names
    ]
    shaped = _with_net(rows).select(
        pl.col("site_id").alias("usage_point"),
        local.alias("interval_start"),
        *(text.alias(name) for name, text in zip(names, energies, strict=True)),
    )
    with _open(path) as file:
        file.write(shaped.write_csv(separator=delimiter))


@contextmanager
def _open(path: Path) -> Iterator[IO[str]]:
    with replacing(path, is_synced=False) as part:
        if path.suffix == ".gz":
            with gzip.open(part, "wt", encoding="utf-8") as file:
                yield file
        else:
            with part.open("w", encoding="utf-8") as file:
                yield file


def _with_net(rows: pl.DataFrame) -> pl.DataFrame:
    net = pl.col("import_wh").fill_null(0.0) - pl.col("export_wh").fill_null(0.0)
    is_there = pl.col("import_wh").is_not_null() | pl.col("export_wh").is_not_null()
    return rows.with_columns(net_wh=pl.when(is_there).then(net))


def _entries(rows: pl.DataFrame, power_of_ten: int, is_net: bool, updated: str) -> Iterator[str]:
    """Yield a feed's entries; reading types are shared by all homes with one length of interval."""
    names = ("net_wh",) if is_net else ("import_wh", "export_wh")
    ordered = _with_net(rows).sort("site_id", "interval_start")
    for (site_id,), home in ordered.group_by(["site_id"], maintain_order=True):
        point = f"RetailCustomer/{uuid.uuid5(uuid.NAMESPACE_OID, str(site_id)).hex[:8]}/UsagePoint/{site_id}"
        body = "<UsagePoint xmlns=_><ServiceCategory><kind>0</kind></ServiceCategory></UsagePoint>"
        yield _entry(point, body, updated, related=(f"{point}/MeterReading", "LocalTimeParameters/01"))
        for name in names:
            for (minutes,), of_length in home.group_by(["minutes"], maintain_order=True):
                readings = of_length.filter(pl.col(name).is_not_null())
                kind, meter = f"ReadingType/{name}-{minutes}", f"{point}/MeterReading/{name}-{minutes}"
                if readings.height:
                    related = (f"{meter}/IntervalBlock", kind)
                    yield _entry(meter, "<MeterReading xmlns=_/>", updated, related=related)
                    yield from _blocks(readings, name, meter, power_of_ten, updated)
    for name in names:
        for minutes in ordered["minutes"].unique().sort():
            yield _entry(f"ReadingType/{name}-{minutes}", _type_of(name, minutes, power_of_ten), updated)


def _blocks(readings: pl.DataFrame, name: str, meter: str, power_of_ten: int, updated: str) -> Iterator[str]:
    up, down = 10.0 ** max(power_of_ten, 0), 10.0 ** max(-power_of_ten, 0)
    typed = readings.select(
        day=pl.col("interval_start").dt.date(),
        start=pl.col("interval_start").dt.epoch("s"),
        length=pl.col("minutes") * 60,
        value=(pl.col(name) * down / up).round().cast(pl.Int64),
    )
    for (day,), block in typed.group_by(["day"], maintain_order=True):
        body = "".join(
            f"<IntervalReading><timePeriod><duration>{length}</duration><start>{start}</start></timePeriod>"
            f"<value>{value}</value></IntervalReading>"
            for start, length, value in block.select("start", "length", "value").iter_rows()
        )
        whole = f"<interval><duration>86400</duration><start>{block['start'][0]}</start></interval>"
        link = f"{meter}/IntervalBlock/{day}"
        yield _entry(link, f"<IntervalBlock xmlns=_>{whole}{body}</IntervalBlock>", updated)


def _type_of(name: str, minutes: int, power_of_ten: int) -> str:
    codes = {
        "accumulationBehaviour": 4, "commodity": 1, "dataQualifier": 12, "flowDirection": _FLOWS[name],
        "intervalLength": minutes * 60, "kind": 12, "phase": 769, "powerOfTenMultiplier": power_of_ten,
        "timeAttribute": 0, "uom": 72,
    }  # fmt: skip
    body = "".join(f"<{code}>{value}</{code}>" for code, value in codes.items())
    return f"<ReadingType xmlns=_>{body}</ReadingType>"


def _entry(link: str, body: str, updated: str, *, related: tuple[str, ...] = ()) -> str:
    up = link.rpartition("/")[0]
    links = "".join(
        f"<link rel={quoteattr(rel)} href={quoteattr(href)}/>"
        for rel, href in (("self", link), ("up", up), *(("related", target) for target in related))
    )
    own = escape(str(uuid.uuid5(uuid.NAMESPACE_URL, link)))
    content = body.replace("xmlns=_", 'xmlns="http://naesb.org/espi"')
    return (
        f"<entry><id>urn:uuid:{own}</id>{links}<title/><content>{content}</content>"
        f"<published>{updated}</published><updated>{updated}</updated></entry>\n"
    )


def _stamp(time: datetime) -> str:
    return time.strftime("%Y-%m-%dT%H:%M:%SZ")

"""Small ESPI feeds written by hand, and lakes with utility files, for tests of what is read of them."""

import os
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
from lakes import build_lake, put, rows

from pipeline.core.settings import load_settings
from pipeline.ingest.lake import open_lake
from pipeline.ingest.registers import read_registers
from pipeline.ingest.utility import UtilityIntake, read_utility

T0 = 1_748_736_000  # 2025-06-01T00:00:00Z
START = datetime(2025, 6, 1)
AS_OF = date(2025, 6, 1)
POINT = "RetailCustomer/7/UsagePoint/a"
METER = f"{POINT}/MeterReading/1"
WATT_HOURS = {
    "accumulationBehaviour": 4, "commodity": 1, "flowDirection": 1, "intervalLength": 900, "kind": 12,
    "powerOfTenMultiplier": 0, "uom": 72,
}  # fmt: skip


def entry(
    kind: str, link: str, up: str = "", related: tuple[str, ...] = (), *, body: str = "", more: str = ""
) -> str:
    """An entry of one kind; `body` stands inside its element, `more` beside the content."""
    links = f'<link rel="self" href="{link}"/>' + (f'<link rel="up" href="{up}"/>' if up else "")
    links += "".join(f'<link rel="related" href="{target}"/>' for target in related)
    content = f'<content><{kind} xmlns="http://naesb.org/espi">{body}</{kind}></content>'
    return f"<entry>{links}{content}{more}</entry>"


def reading(start: object = T0, value: object = 100, duration: object = 900, more: str = "") -> str:
    """An interval reading; None leaves an element out."""
    period = "".join(
        f"<{name}>{text}</{name}>"
        for name, text in (("duration", duration), ("start", start))
        if text is not None
    )
    told = f"<value>{value}</value>" if value is not None else ""
    return f"<IntervalReading><timePeriod>{period}</timePeriod>{told}{more}</IntervalReading>"


def point(service: object = 0, link: str = POINT) -> str:
    """A usage point with a service category, none if None."""
    body = f"<ServiceCategory><kind>{service}</kind></ServiceCategory>" if service is not None else ""
    return entry("UsagePoint", link, body=body)


def meter(up: str = POINT, related: tuple[str, ...] = ("ReadingType/1",), link: str = METER) -> str:
    """A meter reading below the usage point, of the reading type 1."""
    return entry("MeterReading", link, up, related)


def reading_type(link: str = "ReadingType/1", **codes: object) -> str:
    """A reading type of watt-hours forward; codes by name change it, None leaves one out."""
    told = {**WATT_HOURS, **codes}
    return entry(
        "ReadingType",
        link,
        body="".join(f"<{name}>{code}</{name}>" for name, code in told.items() if code is not None),
    )


def block(*readings: str, number: int = 1, up: str = METER, updated: str = "") -> str:
    """A block of readings below the meter reading."""
    more = f"<updated>{updated}</updated>" if updated else ""
    return entry("IntervalBlock", f"{up}/IntervalBlock/{number}", up, body="".join(readings), more=more)


def feed(*entries: str) -> str:
    """The whole feed; without entries a sound one of two quarter hours."""
    sound = (point(), meter(), reading_type(), block(reading(), reading(T0 + 900, 110)))
    return f'<feed xmlns="http://www.w3.org/2005/Atom">{"".join(entries or sound)}</feed>'


def lake_with(tmp_path: Path, files: dict[str, str | bytes] | None = None, **others: str) -> Path:
    """A lake of homes a and b with utility files; `others` are files beside (meters, lake.toml's text as `toml`)."""
    lake = build_lake(tmp_path / "lake")
    put(lake, "a.parquet", rows())
    (lake / "utility").mkdir()
    for hour, (name, content) in enumerate((files or {}).items()):
        put_file(lake, name, content, arrived_h=hour)
    if "meters" in others:
        (lake / "meters.csv").write_text(others["meters"], encoding="utf-8")
    if "toml" in others:
        (lake / "lake.toml").write_text(others["toml"], encoding="utf-8")
    return lake


def put_file(lake: Path, name: str, content: str | bytes | None = None, *, arrived_h: float = 0) -> None:
    """Put a utility file there as if it had arrived so many hours after the first day; None: it is there already."""
    path = lake / "utility" / name
    if content is not None:
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
    arrived = T0 + 86_400 + 3600 * arrived_h
    os.utime(path, (arrived, arrived))


def take(lake: Path, out: Path, as_of: date = AS_OF, **options: object) -> UtilityIntake:
    """What the lake's utility files come to, kept in OUT/store."""
    opened, settings = open_lake(lake), load_settings()
    registers = read_registers(opened, as_of)
    return read_utility(
        opened, registers, settings, workdir=out / "work", store=out / "store" / "utility", **options
    )


def rejects(intake: UtilityIntake) -> list[tuple[str, int | None, str]]:
    """File, row and reason of every reject."""
    frames = [pl.read_parquet(path) for path in intake.reject_files]
    return [row for frame in frames for row in frame.select("source_file", "source_row", "reason").rows()]


def counts(intake: UtilityIntake) -> tuple[int, int, int, int]:
    """Rows in, used, duplicate, rejected."""
    return intake.rows_in, intake.used, intake.duplicate, intake.rejected


def home_rows(
    site_id: str,
    values: list[tuple[float | None, float | None]],
    *,
    start: datetime = START,
    minutes: int = 15,
) -> pl.DataFrame:
    """Rows as the writer takes them: import and export of one interval after the other."""
    return pl.DataFrame(
        {
            "site_id": [site_id] * len(values),
            "interval_start": [start + timedelta(minutes=minutes * at) for at in range(len(values))],
            "minutes": [minutes] * len(values),
            "import_wh": [value[0] for value in values],
            "export_wh": [value[1] for value in values],
        },
        schema={
            "site_id": pl.String, "interval_start": pl.Datetime("us"), "minutes": pl.Int64, "import_wh": pl.Float64,
            "export_wh": pl.Float64,
        },
    )  # fmt: skip


def at(hours: float) -> datetime:
    """So many hours after the first start (naive UTC)."""
    return datetime.fromtimestamp(T0 + 3600 * hours, UTC).replace(tzinfo=None)


def invented(seed: int, *, step: float = 1.0, count: int = 96) -> pl.DataFrame:
    """Two homes' rows; one of them at a time is zero, so that their net says the same."""
    rng = np.random.default_rng(seed)
    homes = []
    for site_id in ("a", "b"):
        net = rng.integers(-900, 900, count) * step
        values = [(max(one, 0.0), max(-one, 0.0)) for one in net.round(6).tolist()]
        homes.append(home_rows(site_id, values))
    return pl.concat(homes)

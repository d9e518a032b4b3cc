"""Writes a simulated fleet as a lake: registers, day partitions of sorted intervals, and the truth."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import timedelta
from functools import partial
from pathlib import Path
from typing import Any, TypeVar

import polars as pl

from pipeline.core.atomic_files import replacing
from pipeline.core.contract import FAULTS, PRIVATE, Crew, Meter, Site, Training, Visit
from pipeline.core.errors import InputError
from pipeline.core.progress import counted
from pipeline.core.services import UNKNOWN
from pipeline.core.worker_processes import map_tasks
from pipeline.faults.catalogue import CATALOGUE
from pipeline.simulate.drawn_meters import write_meters
from pipeline.simulate.fleet import crews_of, simulate_home
from pipeline.simulate.spec import FleetSpec, HomeRecord, Wish, seeded_rng

ROW_GROUP_ROWS = 115_000  # a file a day and shard is about one row group, cut between homes
# As the contract has them; whole numbers are written as such.
SITE_COLUMNS: dict[str, Any] = {
    **{name: kind for name, kind in Site.create_empty().schema.items() if name not in PRIVATE["sites"]},
    **dict.fromkeys(("service_amps", "ct_amps", "cts_per_leg"), pl.Int64),
}  # fmt: skip
TRUTH_COLUMNS: dict[str, Any] = {
    "site_id": pl.String, "fault": pl.String, "leg": pl.String, "onset_on": pl.Date,
    "severity": pl.String, "hard_negative": pl.String, "sees_pv_true": pl.Boolean, "wiring": pl.String,
}  # fmt: skip
# Columns that a fleet's registers have only where a home of it has a value there.
_AS_NEEDED = ("pv_on", "lines_summed", "wiring")

Rows = list[dict[str, Any]]
Task = TypeVar("Task")
Outcome = TypeVar("Outcome")


def write_shard(records: Iterable[HomeRecord], out: Path, shard: int) -> tuple[Rows, Rows, Rows]:
    """Write these homes' intervals, one file a UTC day, and their meters' files; return register, truth, meters' rows.

    Homes must come in the order of their site_id.
    """
    sites, truths, frames, meters = [], [], [], []
    for record in records:
        sites.append(record.site)
        truths.append(record.truth)
        if record.meter:
            meters.append(record.meter)
        frames.append(record.readings.select(pl.lit(record.site["site_id"]).alias("site_id"), pl.all()))
    rows = pl.concat(frames, how="diagonal").with_columns(pl.col("interval_start").dt.date().alias("date"))
    days = rows.partition_by("date", as_dict=True, include_key=False, maintain_order=True)
    for (day,), day_rows in days.items():
        folder = out / "intervals" / f"date={day}"
        folder.mkdir(parents=True, exist_ok=True)
        file = folder / f"part-{shard:04d}.parquet"
        with replacing(file, is_synced=False) as part:
            day_rows.write_parquet(part, compression="zstd", row_group_size=max(day_rows.height, 1))
    return sites, truths, write_meters(out / "utility", meters, shard)


def write_registers(
    out: Path, registers: Mapping[str, Sequence[Any]], truth_columns: Mapping[str, Any] = TRUTH_COLUMNS
) -> None:
    """Write each register's rows as a CSV of its name: sites, crews, visits, trainings, meters, truth."""
    contact = {name: pl.String for row in registers["sites"][:1] for name in PRIVATE["sites"] if name in row}
    columns: dict[str, Any] = {
        "sites": SITE_COLUMNS | contact, "crews": Crew.create_empty().schema, "visits": Visit.create_empty().schema,
        "trainings": Training.create_empty().schema, "truth": truth_columns, "meters": Meter.create_empty().schema,
    }  # fmt: skip
    for name, rows in registers.items():
        frame = pl.DataFrame(rows, schema=columns[name], orient="row")
        unused = [column for column in _AS_NEEDED if column in frame.columns and not frame[column].count()]
        with replacing(out / f"{name}.csv", is_synced=False) as part:
            frame.drop(unused).write_csv(part)


def _history(spec: FleetSpec, sites: Rows, truths: Rows) -> tuple[Rows, Rows]:
    """Draw past visits to homes that are sound now (some were in vain), and trainings."""
    if spec.end is None:
        return [], []
    rng = seeded_rng(spec.seed, 3_000_000)
    crews = [crew for crew, _, _ in crews_of(spec)]
    before = spec.end - timedelta(days=spec.days)
    old_enough = [
        (site["site_id"], (before - site["commissioned_on"]).days)
        for site, truth in zip(sites, truths, strict=True)
        if truth["fault"] == "sound" and site["commissioned_on"] and site["commissioned_on"] < before
    ]
    count = min(len(old_enough), spec.sites // 25)
    visits: Rows = []
    for index in sorted(rng.permutation(len(old_enough))[:count].tolist()):
        site_id, age_days = old_enough[index]
        found = str(rng.choice(list(FAULTS))) if rng.random() < 0.7 else "sound"
        legs = CATALOGUE[found].legs_on(spec.service or UNKNOWN) if found in CATALOGUE else ()
        visits.append({
            "visit_id": f"V{len(visits) + 1:05d}", "site_id": site_id,
            "visited_on": before - timedelta(days=int(rng.integers(age_days))),
            "crew_id": str(rng.choice(crews)), "found": found,
            "leg": str(rng.choice(legs)) if legs else None, "fixed": found != "sound", "note": None,
        })  # fmt: skip
    taught = [name for name, fault in CATALOGUE.items() if fault.remedy.is_taught]
    trainings: Rows = [
        {
            "crew_id": crew,
            "trained_on": spec.end - timedelta(days=int(rng.integers(10, 500))),
            "topic": str(rng.choice(taught)),
        }
        for crew in crews[::3]
    ]
    return visits, trainings


def _write_homes(
    spec: FleetSpec, out: Path, wishes: dict[int, Wish], shard: tuple[int, range]
) -> tuple[Rows, Rows, Rows]:
    index, numbers = shard
    return write_shard((simulate_home(spec, number, wishes.get(number)) for number in numbers), out, index)


def write_lake(
    spec: FleetSpec,
    out: Path,
    workers: int = 1,
    *,
    wishes: dict[int, Wish] | None = None,
    tell: Callable[[str], None] = lambda line: None,
) -> None:
    """Write the fleet's lake into a folder, in shards whose day is about one row group.

    Parameters
    ----------
    spec
        The fleet.
    out
        Folder of the lake.
    workers
        Processes that share the shards.
    wishes
        By number of a home, what it is to be instead of its draw.
    tell
        Called with a line of progress.

    Raises
    ------
    InputError
        `out` holds intervals already, or the spec leaves the end or the interval open.
    """
    if spec.end is None or spec.minutes is None:
        raise InputError("a lake needs one last day and one interval length: give end and minutes")
    if (out / "intervals").exists():
        raise InputError(f"{out}: holds intervals already; choose an empty folder")
    out.mkdir(parents=True, exist_ok=True)
    size = max(1, ROW_GROUP_ROWS // (1440 // spec.minutes))
    shards = [range(first, min(first + size, spec.sites)) for first in range(0, spec.sites, size)]
    written: list[tuple[Rows, Rows, Rows]] = []
    for rows in map_tasks(partial(_write_homes, spec, out, wishes or {}), list(enumerate(shards)), workers):
        written.append(rows)
        tell(counted("simulated", sum(len(rows[0]) for rows in written), spec.sites, things="homes"))
    sites, truths, meters = ([row for part in parts for row in part] for parts in zip(*written, strict=True))
    visits, trainings = _history(spec, sites, truths)
    crews = [crew[:2] for crew in crews_of(spec)]
    write_registers(out, {
        "sites": sites, "truth": truths, "crews": crews, "visits": visits, "trainings": trainings,
        **({"meters": meters} if meters else {}),
    })  # fmt: skip

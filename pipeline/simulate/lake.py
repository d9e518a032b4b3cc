"""Writes a simulated fleet as a lake: registers, day partitions of sorted intervals, and the truth."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from datetime import timedelta
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from pipeline.core.contract import FAULTS
from pipeline.core.errors import InputError
from pipeline.faults.catalogue import CATALOGUE
from pipeline.simulate.fleet import crews_of, simulate_home
from pipeline.simulate.spec import FleetSpec, HomeRecord, Wish

ROW_GROUP_ROWS = 115_000  # a file a day and shard is about one row group, cut between homes
SITE_COLUMNS: dict[str, Any] = {
    "site_id": pl.String, "timezone": pl.String, "latitude": pl.Float64, "longitude": pl.Float64,
    "area": pl.String, "service": pl.String, "service_amps": pl.Int64, "pv_kw": pl.Float64,
    "ct_sees_pv": pl.Boolean, "pv_added_back": pl.Boolean, "ct_location": pl.String, "ct_amps": pl.Int64,
    "cts_per_leg": pl.Int64, "lead_extended": pl.Boolean, "has_battery": pl.Boolean, "has_ev": pl.Boolean,
    "crew_id": pl.String, "commissioned_on": pl.Date,
}  # fmt: skip
TRUTH_COLUMNS: dict[str, Any] = {
    "site_id": pl.String, "fault": pl.String, "leg": pl.String, "onset_on": pl.Date,
    "severity": pl.String, "hard_negative": pl.String, "sees_pv_true": pl.Boolean,
}  # fmt: skip
VISIT_COLUMNS: dict[str, Any] = {
    "visit_id": pl.String, "site_id": pl.String, "visited_on": pl.Date, "crew_id": pl.String,
    "found": pl.String, "leg": pl.String, "fixed": pl.Boolean, "note": pl.String,
}  # fmt: skip
TRAINING_COLUMNS: dict[str, Any] = {"crew_id": pl.String, "trained_on": pl.Date, "topic": pl.String}

Rows = list[dict[str, Any]]


def write_shard(records: Iterable[HomeRecord], out: Path, shard: int) -> tuple[Rows, Rows]:
    """Write these homes' intervals, one file a UTC day; return their register and truth rows.

    Homes must come in the order of their site_id.
    """
    sites, truths, frames = [], [], []
    for record in records:
        sites.append(record.site)
        truths.append(record.truth)
        frames.append(record.readings.select(pl.lit(record.site["site_id"]).alias("site_id"), pl.all()))
    rows = pl.concat(frames).with_columns(pl.col("interval_start").dt.date().alias("date"))
    for (day,), part in rows.partition_by(
        "date", as_dict=True, include_key=False, maintain_order=True
    ).items():
        folder = out / "intervals" / f"date={day}"
        folder.mkdir(parents=True, exist_ok=True)
        part.write_parquet(
            folder / f"part-{shard:04d}.parquet", compression="zstd", row_group_size=max(part.height, 1)
        )
    return sites, truths


def _one_shard(
    spec: FleetSpec, out: Path, wishes: dict[int, Wish], shard: tuple[int, range]
) -> tuple[Rows, Rows]:
    at, numbers = shard
    return write_shard((simulate_home(spec, n, wishes.get(n)) for n in numbers), out, at)


def write_registers(
    out: Path, sites: Rows, truths: Rows, crews: Sequence[tuple[str, str]], visits: Rows, trainings: Rows
) -> None:
    """Write sites.csv, crews.csv, visits.csv, trainings.csv and truth.csv."""
    pl.DataFrame(sites, schema=SITE_COLUMNS).write_csv(out / "sites.csv")
    pl.DataFrame(truths, schema=TRUTH_COLUMNS).write_csv(out / "truth.csv")
    pl.DataFrame(crews, schema={"crew_id": pl.String, "crew_name": pl.String}, orient="row").write_csv(
        out / "crews.csv"
    )
    pl.DataFrame(visits, schema=VISIT_COLUMNS).write_csv(out / "visits.csv")
    pl.DataFrame(trainings, schema=TRAINING_COLUMNS).write_csv(out / "trainings.csv")


def _history(spec: FleetSpec, sites: Rows, truths: Rows) -> tuple[Rows, Rows]:
    """Draw past visits to homes that are sound now (some were in vain), and trainings."""
    if spec.end is None:
        return [], []
    rng = np.random.default_rng(np.random.SeedSequence(spec.seed, spawn_key=(3_000_000,)))
    crews = [crew for crew, _, _ in crews_of(spec)]
    before = spec.end - timedelta(days=spec.days)
    old_enough = [
        (site["site_id"], (before - site["commissioned_on"]).days)
        for site, truth in zip(sites, truths, strict=True)
        if truth["fault"] == "sound" and site["commissioned_on"] and site["commissioned_on"] < before
    ]
    count = min(len(old_enough), spec.sites // 25)
    visits: Rows = []
    for at in sorted(rng.permutation(len(old_enough))[:count].tolist()):
        home, age_days = old_enough[at]
        found = str(rng.choice(list(FAULTS))) if rng.random() < 0.7 else "sound"
        legs = CATALOGUE[found].legs if found in CATALOGUE else ()
        visits.append({
            "visit_id": f"V{len(visits) + 1:05d}", "site_id": home,
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


def shards(spec: FleetSpec, minutes: int) -> list[tuple[int, range]]:
    """Return the fleet's homes in shards whose day is about one row group."""
    size = max(1, ROW_GROUP_ROWS // (1440 // minutes))
    starts = range(0, spec.sites, size)
    return [(at, range(first, min(first + size, spec.sites))) for at, first in enumerate(starts)]


def write_lake(spec: FleetSpec, out: Path, workers: int = 1, wishes: dict[int, Wish] | None = None) -> None:
    """Write the fleet's lake into `out`; `workers` processes share the shards.

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
    work = partial(_one_shard, spec, out, wishes or {})
    parts = shards(spec, spec.minutes)
    if workers > 1:
        with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
            done = list(pool.map(work, parts))
    else:
        done = [work(part) for part in parts]
    sites = [row for rows, _ in done for row in rows]
    truths = [row for _, rows in done for row in rows]
    visits, trainings = _history(spec, sites, truths)
    write_registers(out, sites, truths, [crew[:2] for crew in crews_of(spec)], visits, trainings)

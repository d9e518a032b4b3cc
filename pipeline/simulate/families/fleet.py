"""Writes a fleet unlike the training simulator as a lake, with the truth and a witness of every circuit."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import contextmanager
from datetime import timedelta
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
import polars as pl

from pipeline.core.errors import InputError
from pipeline.simulate.families.build import build_street
from pipeline.simulate.families.crest import WEEKEND_DAYS, WORKDAYS, pool_size, write_households
from pipeline.simulate.families.draw import areas, draw_fleet
from pipeline.simulate.families.extra import need
from pipeline.simulate.families.home import Home
from pipeline.simulate.families.measurements import need_measurements
from pipeline.simulate.families.register import CREWS, SITE_COLUMNS, TRUTH_COLUMNS, site_row, truth_row
from pipeline.simulate.families.spec import UnlikeSpec

# Packages of the proof extra that a family needs; `measured` asks for its measurements itself.
PACKAGES = {"crest": ("richardsonpy", "pvlib", "dss"), "weather": ("pvlib",), "measured": ()}
SHARD_ROWS = 720_000  # rows of a shard over the whole window: bounds a worker's memory
VISIT_COLUMNS: dict[str, Any] = {
    "visit_id": pl.String, "site_id": pl.String, "visited_on": pl.Date, "crew_id": pl.String,
    "found": pl.String, "leg": pl.String, "fixed": pl.Boolean, "note": pl.String,
}  # fmt: skip
Rows = list[dict[str, Any]]
Work = TypeVar("Work")
Done = TypeVar("Done")


def _quiet(line: str) -> None:
    """Tell nobody."""


def write_unlike_lake(
    spec: UnlikeSpec, out: Path, workers: int = 1, tell: Callable[[str], None] = _quiet
) -> None:
    """Write the fleet's lake into `out`: sites, crews, visits, truth and intervals by day.

    The same spec gives the same bytes, whatever the number of `workers`. `tell` gets a line a stage.

    Raises
    ------
    InputError
        `out` holds intervals already, or a package of the proof extra is missing.
    NightFailed
        A street has no power-flow solution.
    """
    if (out / "intervals").exists():
        raise InputError(f"{out}: holds intervals already; choose an empty folder")
    for module in PACKAGES[spec.family]:
        need(module)
    if spec.family == "measured":
        need_measurements()
    out.mkdir(parents=True, exist_ok=True)
    fleet = draw_fleet(spec)
    with tempfile.TemporaryDirectory(prefix="nightclamp-proof-") as folder:
        pool = Path(folder)
        with _many(workers) as each:
            if spec.family == "crest":
                count = pool_size(spec.sites)
                workdays, rest = min(WORKDAYS, spec.days + 2), min(WEEKEND_DAYS, spec.days + 1)
                tell(f"{count} households of the CREST model, {workdays + rest} days each")
                rng = np.random.default_rng(np.random.SeedSequence(spec.seed, spawn_key=(7,)))
                seeds = [(number, int(rng.integers(2**31))) for number in range(count)]
                batches = [seeds[at : at + 10] for at in range(0, count, 10)]
                list(each(partial(_households, pool, workdays, rest), batches))
            tell(f"{spec.sites} homes on {len(fleet)} streets, {spec.days} days of {spec.minutes} min")
            rows: list[tuple[Rows, Rows]] = []
            shards = _shards(spec, fleet)
            for done in each(partial(_shard, spec, out, pool), list(enumerate(shards))):
                rows.append(done)
                tell(f"{sum(len(sites) for sites, _ in rows)} homes written")
    pl.DataFrame([row for sites, _ in rows for row in sites], schema=SITE_COLUMNS).write_csv(
        out / "sites.csv"
    )
    pl.DataFrame([row for _, truths in rows for row in truths], schema=TRUTH_COLUMNS).write_csv(
        out / "truth.csv"
    )
    pl.DataFrame(CREWS, schema=["crew_id", "crew_name"], orient="row").write_csv(out / "crews.csv")
    pl.DataFrame(schema=VISIT_COLUMNS).write_csv(out / "visits.csv")


@contextmanager
def _many(workers: int) -> Iterator[Callable[[Callable[[Work], Done], list[Work]], Iterable[Done]]]:
    """Give a map over so many processes, in order; in this one if there is only one."""
    if workers == 1:
        yield map
        return
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        yield pool.map


def _households(pool: Path, workdays: int, rest: int, seeds: list[tuple[int, int]]) -> None:
    write_households(pool, seeds, workdays, rest)


def _shards(spec: UnlikeSpec, fleet: list[list[Home]]) -> list[list[list[Home]]]:
    """Return the streets in shards of about SHARD_ROWS."""
    most = max(1, SHARD_ROWS * spec.minutes // spec.steps)
    shards: list[list[list[Home]]] = [[]]
    for street in fleet:
        if shards[-1] and sum(map(len, shards[-1])) + len(street) > most:
            shards.append([])
        shards[-1].append(street)
    return shards


def _shard(spec: UnlikeSpec, out: Path, pool: Path, shard: tuple[int, list[list[Home]]]) -> tuple[Rows, Rows]:
    """Build and write a shard's streets, one file a UTC day; return their register and truth rows."""
    at, streets = shard
    places = areas(spec)
    sites: Rows = []
    truths: Rows = []
    frames: list[pl.DataFrame] = []
    for homes in streets:
        for built in build_street(spec, homes, places, pool):
            sites.append(site_row(spec, built, places[built.home.area]))
            truths.append(truth_row(spec, built))
            frames.append(built.rows.select(pl.lit(built.home.site_id).alias("site_id"), pl.all()))
    _write_days(pl.concat(frames), spec, out, at)
    return sites, truths


def _write_days(rows: pl.DataFrame, spec: UnlikeSpec, out: Path, shard: int) -> None:
    days = rows.with_columns(pl.col("interval_start").dt.date().alias("date")).partition_by(
        "date", as_dict=True, include_key=False, maintain_order=True
    )
    for at in range(spec.days):
        day = (spec.start + timedelta(days=at)).date()
        if (day,) in days:
            folder = out / "intervals" / f"date={day}"
            folder.mkdir(parents=True, exist_ok=True)
            days[(day,)].write_parquet(
                folder / f"part-{shard:04d}.parquet", compression="zstd", row_group_size=200_000
            )


__all__ = ["UnlikeSpec", "write_unlike_lake"]

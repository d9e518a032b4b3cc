"""Writes a family's fleet as a lake, with the truth and a witness of every circuit."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path

from pipeline.core.errors import InputError
from pipeline.core.progress import counted
from pipeline.core.worker_processes import map_tasks
from pipeline.simulate.families.build import build_street
from pipeline.simulate.families.crest import WEEKEND_DAYS, WORKDAYS, pool_size, write_households
from pipeline.simulate.families.draw import areas, draw_fleet
from pipeline.simulate.families.extra import need
from pipeline.simulate.families.measurements import need_measurements
from pipeline.simulate.families.register import CREWS, TRUTH_COLUMNS, site_row, truth_row
from pipeline.simulate.families.spec import Home, UnlikeSpec
from pipeline.simulate.lake import Rows, write_registers, write_shard
from pipeline.simulate.spec import HomeRecord, seeded_rng

# Packages of the proof extra that a family needs; `measured` asks for its measurements itself.
PACKAGES = {"crest": ("richardsonpy", "pvlib", "dss"), "weather": ("pvlib",), "measured": ()}
Batch = list[tuple[int, int]]  # number and seed of each household
SHARD_ROWS = 720_000  # rows of a shard over the whole window: bounds a worker's memory


def write_unlike_lake(
    spec: UnlikeSpec, out: Path, workers: int = 1, *, tell: Callable[[str], None] = lambda line: None
) -> None:
    """Write the fleet's lake: sites, crews, visits, truth and intervals by day.

    The same spec gives the same bytes, whatever the number of workers.

    Parameters
    ----------
    spec
        The fleet.
    out
        Folder of the lake.
    workers
        Processes that share the shards.
    tell
        Gets a line a stage.

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
        if batches := household_batches(spec):
            count = sum(map(len, batches))
            tell(f"{count} households of the CREST model, {sum(household_days(spec.days))} days each")
            list(map_tasks(partial(write_pool, spec.days, pool), batches, workers))
        tell(f"{spec.sites} homes on {len(fleet)} streets, {spec.days} days of {spec.minutes} min")
        rows: list[tuple[Rows, Rows]] = []
        shards = list(enumerate(pack_streets(fleet, max(1, SHARD_ROWS * spec.minutes // spec.steps))))
        for written in map_tasks(partial(_write_streets, spec, out, pool), shards, workers):
            rows.append(written)
            tell(counted("simulated", sum(len(sites) for sites, _ in rows), spec.sites, things="homes"))
    write_registers(out, {
        "sites": [row for sites, _ in rows for row in sites],
        "truth": [row for _, truths in rows for row in truths], "crews": CREWS, "visits": [],
    }, TRUTH_COLUMNS)  # fmt: skip


def household_batches(spec: UnlikeSpec) -> list[Batch]:
    """Return the households that homes of family "crest" are drawn from, in batches; other families need none."""
    if spec.family != "crest":
        return []
    rng = seeded_rng(spec.seed, 7)
    seeds = [(number, int(rng.integers(2**31))) for number in range(pool_size(spec.sites))]
    return [seeds[first : first + 10] for first in range(0, len(seeds), 10)]


def household_days(days: int) -> tuple[int, int]:
    """Return how many workdays and weekend days a household has, for a window of so many days."""
    return min(WORKDAYS, days + 2), min(WEEKEND_DAYS, days + 1)


def write_pool(days: int, pool: Path, batch: Batch) -> None:
    """Write a batch of households for a window of so many days into the folder `pool`."""
    pool.mkdir(parents=True, exist_ok=True)
    workdays, weekend_days = household_days(days)
    write_households(pool, batch, workdays=workdays, weekend_days=weekend_days)


def pack_streets(fleet: Sequence[Sequence[Home]], most: int) -> list[list[Sequence[Home]]]:
    """Return the streets in order, in parts of at most so many homes; a street that is longer is a part of its own."""
    parts: list[list[Sequence[Home]]] = [[]]
    for street in fleet:
        if parts[-1] and sum(map(len, parts[-1])) + len(street) > most:
            parts.append([])
        parts[-1].append(street)
    return parts


def _write_streets(
    spec: UnlikeSpec, out: Path, pool: Path, shard: tuple[int, list[Sequence[Home]]]
) -> tuple[Rows, Rows]:
    """Build and write a shard's streets, one file a UTC day; return their register and truth rows."""
    index, streets = shard
    places = areas(spec)
    built = (home for homes in streets for home in build_street(spec, homes, places, pool=pool))
    records = (
        HomeRecord(home.rows, site_row(spec, home, places[home.home.area]), truth_row(spec, home))
        for home in built
    )
    sites, truths, _ = write_shard(records, out, index)
    return sites, truths

"""Writes a family's fleet as a lake, with the truth and a witness of every circuit."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from functools import partial
from pathlib import Path

from pipeline.core.errors import InputError
from pipeline.simulate.families.build import build_street
from pipeline.simulate.families.crest import WEEKEND_DAYS, WORKDAYS, pool_size, write_households
from pipeline.simulate.families.draw import areas, draw_fleet
from pipeline.simulate.families.extra import need
from pipeline.simulate.families.measurements import need_measurements
from pipeline.simulate.families.register import CREWS, TRUTH_COLUMNS, site_row, truth_row
from pipeline.simulate.families.spec import Home, UnlikeSpec
from pipeline.simulate.lake import Rows, process_map, write_registers, write_shard
from pipeline.simulate.spec import HomeRecord, seeded_rng

# Packages of the proof extra that a family needs; `measured` asks for its measurements itself.
PACKAGES = {"crest": ("richardsonpy", "pvlib", "dss"), "weather": ("pvlib",), "measured": ()}
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
        with process_map(workers) as each:
            if spec.family == "crest":
                count = pool_size(spec.sites)
                workdays, weekend_days = min(WORKDAYS, spec.days + 2), min(WEEKEND_DAYS, spec.days + 1)
                tell(f"{count} households of the CREST model, {workdays + weekend_days} days each")
                rng = seeded_rng(spec.seed, 7)
                seeds = [(number, int(rng.integers(2**31))) for number in range(count)]
                batches = [seeds[first : first + 10] for first in range(0, count, 10)]
                list(each(partial(_write_households, pool, workdays, weekend_days), batches))
            tell(f"{spec.sites} homes on {len(fleet)} streets, {spec.days} days of {spec.minutes} min")
            rows: list[tuple[Rows, Rows]] = []
            shards = _shards(spec, fleet)
            for written in each(partial(_write_streets, spec, out, pool), list(enumerate(shards))):
                rows.append(written)
                tell(f"{sum(len(sites) for sites, _ in rows)} homes written")
    write_registers(out, {
        "sites": [row for sites, _ in rows for row in sites],
        "truth": [row for _, truths in rows for row in truths], "crews": CREWS, "visits": [],
    }, TRUTH_COLUMNS)  # fmt: skip


def _write_households(pool: Path, workdays: int, weekend_days: int, seeds: list[tuple[int, int]]) -> None:
    write_households(pool, seeds, workdays=workdays, weekend_days=weekend_days)


def _shards(spec: UnlikeSpec, fleet: list[list[Home]]) -> list[list[list[Home]]]:
    """Return the streets in shards of about SHARD_ROWS."""
    most = max(1, SHARD_ROWS * spec.minutes // spec.steps)
    shards: list[list[list[Home]]] = [[]]
    for street in fleet:
        if shards[-1] and sum(map(len, shards[-1])) + len(street) > most:
            shards.append([])
        shards[-1].append(street)
    return shards


def _write_streets(
    spec: UnlikeSpec, out: Path, pool: Path, shard: tuple[int, list[list[Home]]]
) -> tuple[Rows, Rows]:
    """Build and write a shard's streets, one file a UTC day; return their register and truth rows."""
    index, streets = shard
    places = areas(spec)
    built = (home for homes in streets for home in build_street(spec, homes, places, pool=pool))
    records = (
        HomeRecord(home.rows, site_row(spec, home, places[home.home.area]), truth_row(spec, home))
        for home in built
    )
    return write_shard(records, out, index)

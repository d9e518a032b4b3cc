"""The world of a rehearsal: a fleet as installed and its twin without faults, day by day on disk.

    WORLD/installed/intervals/date=D/part-0000.parquet   rows of some homes, their faults in them
    WORLD/right/intervals/date=D/part-0000.parquet       rows of the same part's faulty homes, without their fault
    WORLD/homes.parquet    one row a home: what is wrong with it, since when
    WORLD/wrong.parquet    one row a faulty home and hour: the energy misreported
    WORLD/sites.parquet    the register as installed, `sites_right` as it should be; crews.csv; world.json, the spec

A part is a hundred homes or so: a policy's lake links the parts in which nothing was put right yet.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from functools import cached_property, partial
from pathlib import Path
from typing import Any, TypeVar

import polars as pl

from pipeline import __version__
from pipeline.evaluation.policy_simulation.twins import (
    Part,
    Spec,
    parts_of,
    pool_batches,
    twins_of,
    write_pool,
)
from pipeline.evaluation.policy_simulation.workers import processes
from pipeline.simulate.counterfactual import Twins
from pipeline.simulate.families.register import CREWS
from pipeline.simulate.fleet import crews_of
from pipeline.simulate.lake import SITE_COLUMNS, Rows, write_shard
from pipeline.simulate.spec import FleetSpec, HomeRecord

# began_at: UTC [us], null where the fault is there from commissioning or there is none; fault: "" for none.
_HOMES: dict[str, Any] = {
    "site_id": pl.String, "number": pl.Int64, "part": pl.Int64, "fault": pl.String, "leg": pl.String,
    "began_at": pl.Datetime("us"), "severity": pl.String, "hard_negative": pl.String, "commissioned_on": pl.Date,
}  # fmt: skip
HOMES = pl.Schema(_HOMES)
_WRONG: dict[str, Any] = {"site_id": pl.String, "hour_start": pl.Datetime("us"), "wrong_kwh": pl.Float64}
WRONG = pl.Schema(_WRONG)
HOMES_A_PART = 100
Work = TypeVar("Work")
Done = TypeVar("Done")


@dataclass(frozen=True)
class World:
    """A world that is on disk."""

    root: Path

    def parts(self, day: str) -> list[Path]:
        """Return the files of the fleet as installed on a day, YYYY-MM-DD, in the order of their homes."""
        return sorted((self.root / "installed" / "intervals" / f"date={day}").glob("part-*.parquet"))

    def right(self, day: str, part: Path) -> Path:
        """Return where the right rows of a part's faulty homes are."""
        return self.root / "right" / "intervals" / f"date={day}" / part.name

    @cached_property
    def homes(self) -> pl.DataFrame:
        """HOMES, sorted by site_id."""
        return pl.read_parquet(self.root / "homes.parquet")

    @cached_property
    def wrong(self) -> pl.DataFrame:
        """WRONG: energy misreported [kWh] of each faulty home and hour, sorted; hours without any have no row."""
        return pl.read_parquet(self.root / "wrong.parquet")

    def sites(self, *, is_right: bool) -> pl.DataFrame:
        """Return the register of sites as installed or as it should be, sorted by site_id."""
        return pl.read_parquet(self.root / ("sites_right.parquet" if is_right else "sites.parquet"))

    @cached_property
    def crews(self) -> list[str]:
        """The crews' ids."""
        return pl.read_csv(self.root / "crews.csv", schema_overrides={"crew_id": pl.String})[
            "crew_id"
        ].to_list()


def make_world(
    spec: Spec, root: Path, workers: int, tell: Callable[[str], None] = lambda line: None
) -> World:
    """Return the world of `spec` in the folder `root`: the one that is there if it is whole and of this spec."""
    told = json.dumps({"version": __version__, **asdict(spec)}, default=str, indent=1)
    marker = root / "world.json"
    if marker.is_file() and marker.read_text(encoding="utf-8") == told:
        tell("the fleet and its twin are there already")
        return World(root)
    shutil.rmtree(root, ignore_errors=True)
    root.mkdir(parents=True)
    pool = root / "households"
    batches = pool_batches(spec)
    if batches:
        tell("households of the CREST model")
        list(_made(partial(write_pool, spec.days, pool), batches, workers))
    parts = list(enumerate(parts_of(spec, HOMES_A_PART)))
    done = []
    for made in _made(partial(_make_part, spec, root, pool), parts, workers):
        done.append(made)
        tell(f"fleet and twin: {sum(part.homes.height for part in done)} of {spec.sites} homes")
    shutil.rmtree(pool, ignore_errors=True)
    pl.concat([made.homes for made in done]).write_parquet(root / "homes.parquet")
    pl.concat([made.wrong for made in done]).write_parquet(root / "wrong.parquet")
    for name in ("sites", "sites_right"):
        rows = [row for made in done for row in getattr(made, name)]
        pl.DataFrame(rows, schema=SITE_COLUMNS).write_parquet(root / f"{name}.parquet")
    crews = [crew[:2] for crew in crews_of(spec)] if isinstance(spec, FleetSpec) else CREWS
    pl.DataFrame(crews, schema={"crew_id": pl.String, "crew_name": pl.String}, orient="row").write_csv(
        root / "crews.csv"
    )
    marker.write_text(told, encoding="utf-8")
    return World(root)


@dataclass(frozen=True)
class _Part:
    homes: pl.DataFrame
    wrong: pl.DataFrame
    sites: Rows
    sites_right: Rows


def _made(make: Callable[[Work], Done], parts: list[Work], workers: int) -> Iterator[Done]:
    if workers == 1:
        yield from map(make, parts)
        return
    with processes(workers) as pool:
        yield from pool.map(make, parts)


def _make_part(spec: Spec, root: Path, pool: Path, numbered: tuple[int, Part]) -> _Part:
    at, part = numbered
    numbers, twins = part[0], twins_of(spec, part, pool)
    faulty = [twin for twin in twins if twin.fault]
    write_shard((_record(twin, twin.installed) for twin in twins), root / "installed", at)
    if faulty:
        write_shard((_record(twin, twin.right) for twin in faulty), root / "right", at)
    rows = [
        (
            twin.site_id, number, at, twin.fault, twin.leg, twin.onset_at, twin.severity, twin.hard_negative,
            twin.commissioned_on,
        )
        for number, twin in zip(numbers, twins, strict=True)
    ]  # fmt: skip
    wrong = pl.concat(
        [pl.DataFrame(schema=WRONG), *(wrong_hours(twin, spec.minutes or 15) for twin in faulty)]
    )
    homes = pl.DataFrame(rows, schema=HOMES, orient="row")
    return _Part(homes, wrong, [twin.site for twin in twins], [twin.site_right for twin in twins])


def _record(twin: Twins, rows: pl.DataFrame) -> HomeRecord:
    truth: dict[str, Any] = {"site_id": twin.site_id}
    return HomeRecord(rows, twin.site, truth)


def wrong_hours(twin: Twins, minutes: int) -> pl.DataFrame:
    """Return WRONG of a home: |reading - right reading| summed over both consumption channels.

    A record of the wrong scope leaves the readings right; what is misreported is the production that is then added
    to the load, or left out of it. A row that never came misreports nothing.
    """
    legs = ("l1_w", "l2_w")
    once = pl.col("interval_start").is_first_distinct()
    right = twin.right.filter(once).select(
        "interval_start", *(pl.col(leg).alias(f"{leg}_right") for leg in legs)
    )
    off = pl.sum_horizontal((pl.col(leg) - pl.col(f"{leg}_right")).abs() for leg in legs)
    declared = twin.site["ct_sees_pv"]
    if declared is not None and declared != twin.site_right["ct_sees_pv"]:
        off = off + pl.col("pv_w").abs().fill_null(0.0)
    hours = (
        twin.installed.filter(once)
        .join(right, on="interval_start")
        .group_by(pl.col("interval_start").dt.truncate("1h").dt.replace_time_zone(None).alias("hour_start"))
        .agg((off.sum() * (minutes / 60 / 1000)).alias("wrong_kwh"))
    )
    told = hours.filter(pl.col("wrong_kwh") > 0).with_columns(pl.lit(twin.site_id).alias("site_id"))
    return told.select(pl.col(name).cast(kind) for name, kind in WRONG.items()).sort("hour_start")

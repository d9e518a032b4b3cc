"""The world of a simulation: a fleet as installed and its twin without faults, day by day on disk.

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
from collections.abc import Callable
from dataclasses import asdict, dataclass
from datetime import date
from functools import cached_property, partial
from pathlib import Path
from typing import Any

import polars as pl

from pipeline import __version__
from pipeline.core.atomic_files import write_text
from pipeline.core.progress import counted
from pipeline.core.worker_processes import map_tasks
from pipeline.evaluation.policy_simulation.twins import (
    Part,
    Spec,
    simulate_twins,
    split_fleet,
)
from pipeline.simulate.counterfactual import Twins
from pipeline.simulate.families.fleet import household_batches, write_pool
from pipeline.simulate.families.register import CREWS
from pipeline.simulate.fleet import crews_of
from pipeline.simulate.lake import SITE_COLUMNS, write_shard
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


@dataclass(frozen=True)
class World:
    """A world that is on disk."""

    root: Path

    def parts(self, day: date) -> list[Path]:
        """Return the files of the fleet as installed on a day, in the order of their homes."""
        return sorted((self.root / "installed" / "intervals" / f"date={day}").glob("part-*.parquet"))

    def right(self, day: date, part: Path) -> Path:
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
        return pl.read_csv(self.root / "crews.csv", infer_schema=False)["crew_id"].to_list()


def make_world(
    spec: Spec, root: Path, workers: int, *, tell: Callable[[str], None] = lambda line: None
) -> World:
    """Return the world of `spec` in the folder `root`: the one that is there if it is whole and of this spec.

    Parameters
    ----------
    spec
        The fleet.
    root
        Folder of the world; what is there of another spec is removed.
    workers
        Processes to share the work.
    tell
        Is called with each step.
    """
    text = json.dumps({"version": __version__, **asdict(spec)}, default=str, indent=1)
    marker = root / "world.json"
    if marker.is_file() and marker.read_text(encoding="utf-8") == text:
        tell("the fleet and its twin are there already")
        return World(root)
    shutil.rmtree(root, ignore_errors=True)
    root.mkdir(parents=True)
    pool = root / "households"
    if not isinstance(spec, FleetSpec) and (batches := household_batches(spec)):
        tell("households of the CREST model")
        list(map_tasks(partial(write_pool, spec.days, pool), batches, workers))
    parts = list(enumerate(split_fleet(spec, HOMES_A_PART)))
    tables: dict[str, list[pl.DataFrame]] = {}
    count = 0
    for part_tables in map_tasks(partial(_make_part, spec, root, pool), parts, workers):
        for name, table in part_tables.items():
            tables.setdefault(name, []).append(table)
        count += part_tables["homes"].height
        tell(counted("fleet and twin", count, spec.sites, things="homes"))
    shutil.rmtree(pool, ignore_errors=True)
    for name, frames in tables.items():
        pl.concat(frames).write_parquet(root / f"{name}.parquet")
    crews = [crew[:2] for crew in crews_of(spec)] if isinstance(spec, FleetSpec) else CREWS
    pl.DataFrame(crews, schema=["crew_id", "crew_name"], orient="row").write_csv(root / "crews.csv")
    write_text(marker, text)
    return World(root)


def _make_part(spec: Spec, root: Path, pool: Path, numbered: tuple[int, Part]) -> dict[str, pl.DataFrame]:
    """Write a part's rows; return its tables homes, wrong, sites and sites_right."""
    number, part = numbered
    twins = simulate_twins(spec, part, pool)
    faulty = [twin for twin in twins if twin.fault]
    for name, homes in (("installed", twins), ("right", faulty)):
        records = [HomeRecord(getattr(twin, name), twin.site, {"site_id": twin.site_id}) for twin in homes]
        if records:
            write_shard(records, root / name, number)
    homes_rows = [
        (
            twin.site_id, home, number, twin.fault, twin.leg, twin.onset_at, twin.severity, twin.hard_negative,
            twin.commissioned_on,
        )
        for home, twin in zip(part[0], twins, strict=True)
    ]  # fmt: skip
    wrong = [wrong_hours(twin, spec.minutes or 15) for twin in faulty]
    return {
        "homes": pl.DataFrame(homes_rows, schema=HOMES, orient="row"),
        "wrong": pl.concat([pl.DataFrame(schema=WRONG), *wrong]),
        "sites": pl.DataFrame([twin.site for twin in twins], schema=SITE_COLUMNS),
        "sites_right": pl.DataFrame([twin.site_right for twin in twins], schema=SITE_COLUMNS),
    }


def wrong_hours(twin: Twins, minutes: int) -> pl.DataFrame:
    """Return WRONG of a home: |reading - right reading| summed over both consumption channels.

    A record of the wrong scope leaves the readings right; what is misreported is the production that is then added
    to the load, or left out of it. A row that never came misreports nothing. `minutes` is the interval's length.
    """
    legs = ("l1_w", "l2_w")
    is_first = pl.col("interval_start").is_first_distinct()
    right = twin.right.filter(is_first).select("interval_start", pl.col(legs).name.suffix("_right"))
    wrong_w = pl.sum_horizontal((pl.col(leg) - pl.col(f"{leg}_right")).abs() for leg in legs)
    declared = twin.site["ct_sees_pv"]
    if declared is not None and declared != twin.site_right["ct_sees_pv"]:
        wrong_w = wrong_w + pl.col("pv_w").abs().fill_null(0.0)
    hours = (
        twin.installed.filter(is_first)
        .join(right, on="interval_start")
        .group_by(hour_start=pl.col("interval_start").dt.truncate("1h").dt.replace_time_zone(None))
        .agg(wrong_kwh=wrong_w.sum() * (minutes / 60 / 1000))
        .filter(pl.col("wrong_kwh") > 0)
        .with_columns(site_id=pl.lit(twin.site_id))
    )
    return hours.select(pl.col(name).cast(kind) for name, kind in WRONG.items()).sort("hour_start")

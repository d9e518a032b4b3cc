"""Nights and mornings of one policy, one after the other; a series that was stopped goes on where it was.

FOLDER/lake/            the lake of this policy: the days of the window only
FOLDER/out/             what `nightclamp nightly` publishes from it
FOLDER/ledger.parquet   every attempt so far (crew.LEDGER)
FOLDER/watched/D.parquet  after the night D: what the standings say of the homes that were visited
FOLDER/progress.json    the last night whose morning is over
"""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.core.atomic_files import replacing, write_bytes, write_parquet, write_text
from pipeline.core.contract import Visit
from pipeline.core.progress import counted
from pipeline.core.settings import Settings
from pipeline.evaluation.policy_simulation.crew import LEDGER, attend_homes, written_records
from pipeline.evaluation.policy_simulation.policies import Morning, Policy, Published
from pipeline.evaluation.policy_simulation.world import World
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import run_night
from pipeline.storage.table_files import write_csv

WINDOW_DAYS = 30
# What a night says of a home that was visited: columns of table standing, then of site_scores.
STANDING = (
    "site_id", "standing", "last_visit_on", "outcome", "proof", "proof_told", "proved_on", "nights_to_proof",
)  # fmt: skip
SCORES = ("likelihood", "verdict", "suspected_fault", "unproven_why", "nights")


@dataclass(frozen=True)
class Series:
    """A policy's half year on disk, in `folder`: on which world, after which nights, with how many visits a day."""

    policy: Policy
    world: Path
    folder: Path
    nights: tuple[date, ...]
    visits: int
    seed: int

    @property
    def progress(self) -> dict[str, Any]:
        """How far it is: `done` nights, and after the first the last `night` whose morning is over."""
        path = self.folder / "progress.json"
        return json.loads(path.read_text(encoding="utf-8")) if path.is_file() else {"done": 0}

    @property
    def ledger(self) -> pl.DataFrame:
        """All attempts so far (crew.LEDGER)."""
        path = self.folder / "ledger.parquet"
        return pl.read_parquet(path) if path.is_file() else pl.DataFrame(schema=LEDGER)

    @property
    def standings(self) -> pl.DataFrame:
        """STANDING and SCORES of all nights, with `night`, sorted by it and site_id."""
        files = sorted((self.folder / "watched").glob("????-??-??.parquet"))
        return pl.concat([pl.read_parquet(file) for file in files], how="vertical_relaxed")


def run_series(series: Series, settings: Settings, tell: Callable[[str], None] = lambda line: None) -> None:
    """Run the nights and mornings that are still to come of the series."""
    world, policy, folder = World(series.world), series.policy, series.folder
    lake, out = folder / "lake", folder / "out"
    folder.mkdir(parents=True, exist_ok=True)
    done, ledger = series.progress["done"], series.ledger
    if done:  # only the mornings after these nights are over
        ledger = ledger.filter(pl.col("visited_on") <= series.nights[done - 1] + timedelta(days=1))
    published = Published(pl.DataFrame(), pl.DataFrame(), world.sites(is_right=False))
    for number, night in enumerate(series.nights[done:], start=done + 1):
        if policy.has_nights:
            oldest = night - timedelta(days=WINDOW_DAYS - 1)
            for day in (oldest + timedelta(days=back) for back in range(WINDOW_DAYS)):
                if world.parts(day):
                    write_day(lake, world, ledger, day=day)
            remove_days_before(lake, oldest)
            no_visits = pl.lit(None, pl.String).alias("found")
            write_registers(lake, world, ledger if policy.has_memory else ledger.with_columns(no_visits))
            result = run_night(NightRequest(lake, out, night, WINDOW_DAYS), settings)
            published = Published.read(result.folder)
            if policy.has_memory:
                _keep_standings(result.folder, ledger, folder / "watched" / f"{night}.parquet", night=night)
            _remove_runs(out, keep=2)
            remove_days_before(out / "store", oldest)
        if night != series.nights[-1]:
            morning = Morning(night + timedelta(days=1), series.visits, settings.rehearsal)
            ledger = attend_homes(
                policy.choose(published, written_records(ledger), morning), ledger, world,
                morning=morning, seed=series.seed,
            )  # fmt: skip
        write_parquet(folder / "ledger.parquet", ledger)
        progress = json.dumps({"night": str(night), "done": number, "of": len(series.nights)})
        write_text(folder / "progress.json", progress)
        tell(counted(policy.title, number, len(series.nights), things="nights"))


def write_day(lake: Path, world: World, ledger: pl.DataFrame, *, day: date) -> None:
    """Put together a day of the lake, unless it is there; a part in which nothing was put right is a link.

    Parameters
    ----------
    lake
        Its folder.
    world
        The fleet as installed and right.
    ledger
        crew.LEDGER; it must know all that was put right by that day.
    day
        The UTC day.
    """
    folder = lake / "intervals" / f"date={day}"
    if folder.is_dir():
        return
    right_from = ledger.filter("is_put_right").select("site_id", "right_from")
    corrected_parts = set(world.homes.join(right_from, on="site_id")["part"])
    building = folder.with_name(f".{folder.name}")
    shutil.rmtree(building, ignore_errors=True)
    building.mkdir(parents=True)
    for part in world.parts(day):
        right = world.right(day, part)
        if int(part.stem.removeprefix("part-")) in corrected_parts and right.is_file():
            rows = correct_rows(pl.read_parquet(part), pl.read_parquet(right), right_from)
            rows.write_parquet(building / part.name, compression="zstd", row_group_size=max(rows.height, 1))
        else:
            os.link(part, building / part.name)
    building.rename(folder)


def correct_rows(installed: pl.DataFrame, right: pl.DataFrame, right_from: pl.DataFrame) -> pl.DataFrame:
    """Return the installed rows, and from `right_from` (site_id, right_from [UTC]) on the right ones in their place."""
    start = pl.col("interval_start").dt.replace_time_zone(None)
    is_right = (start >= pl.col("right_from")).fill_null(False)
    before = installed.join(right_from, on="site_id", how="left", maintain_order="left").filter(~is_right)
    after = right.join(right_from, on="site_id", maintain_order="left").filter(is_right)
    rows = pl.concat([before, after]).drop("right_from")
    return rows.sort("site_id", "interval_start", maintain_order=True)


def write_registers(lake: Path, world: World, ledger: pl.DataFrame) -> None:
    """Write sites.csv, crews.csv and visits.csv as they stand after the ledger; a record put right says the truth."""
    lake.mkdir(parents=True, exist_ok=True)
    is_right = pl.col("site_id").is_in(ledger.filter("is_put_right")["site_id"].implode())
    as_installed, corrected = (world.sites(is_right=is_corrected) for is_corrected in (False, True))
    sites = pl.concat([as_installed.filter(~is_right), corrected.filter(is_right)]).sort("site_id")
    columns = [name for name in Visit.column_names() if name in ledger.columns]
    visits = ledger.filter(pl.col("found").is_not_null()).select(columns)
    for name, table in (("sites.csv", sites), ("visits.csv", visits)):
        with replacing(lake / name) as part:
            write_csv(table, part)
    write_bytes(lake / "crews.csv", (world.root / "crews.csv").read_bytes())


def remove_days_before(folder: Path, oldest: date) -> None:
    """Remove the days of a lake's or a store's tables below `folder` (FOLDER/TABLE/date=D) older than `oldest`."""
    for day in folder.glob("*/date=*"):
        if date.fromisoformat(day.name.removeprefix("date=")) < oldest:
            shutil.rmtree(day)


def _keep_standings(run: Path, ledger: pl.DataFrame, target: Path, *, night: date) -> None:
    visited = ledger.filter(pl.col("found").is_not_null())["site_id"].implode()
    standing = pl.read_parquet(run / "standing.parquet", columns=list(STANDING))
    scores = pl.read_parquet(run / "site_scores.parquet", columns=["site_id", *SCORES])
    of_visited = standing.filter(pl.col("site_id").is_in(visited)).join(scores, on="site_id", how="left")
    write_parquet(target, of_visited.sort("site_id").select(pl.lit(night).alias("night"), pl.all()))


def _remove_runs(out: Path, keep: int) -> None:
    """Remove all published runs but the last `keep`: a night needs only the one before."""
    for link in sorted((out / "runs").glob("????-??-??"))[:-keep]:
        shutil.rmtree(link.resolve())
        link.unlink()

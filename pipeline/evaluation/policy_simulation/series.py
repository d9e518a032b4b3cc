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

from pipeline.core.settings import Settings
from pipeline.evaluation.policy_simulation.crew import LEDGER, attend_homes, written_records
from pipeline.evaluation.policy_simulation.lake import remove_days_before, write_day, write_registers
from pipeline.evaluation.policy_simulation.policies import Morning, Policy, Published
from pipeline.evaluation.policy_simulation.world import World
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import run_night

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
                day=morning.today, seed=series.seed, settings=settings.rehearsal,
            )  # fmt: skip
        _replace(folder / "ledger.parquet", ledger.write_parquet)
        progress = json.dumps({"night": str(night), "done": number, "of": len(series.nights)})
        _replace(folder / "progress.json", lambda part, text=progress: part.write_text(text))
        tell(f"{policy.title}: night {number} of {len(series.nights)}")


def _keep_standings(run: Path, ledger: pl.DataFrame, target: Path, *, night: date) -> None:
    visited = ledger.filter(pl.col("found").is_not_null())["site_id"].implode()
    standing = pl.read_parquet(run / "standing.parquet", columns=list(STANDING))
    scores = pl.read_parquet(run / "site_scores.parquet", columns=["site_id", *SCORES])
    of_visited = standing.filter(pl.col("site_id").is_in(visited)).join(scores, on="site_id", how="left")
    target.parent.mkdir(exist_ok=True)
    _replace(target, of_visited.sort("site_id").select(pl.lit(night).alias("night"), pl.all()).write_parquet)


def _remove_runs(out: Path, keep: int) -> None:
    """Remove all published runs but the last `keep`: a night needs only the one before."""
    for link in sorted((out / "runs").glob("????-??-??"))[:-keep]:
        shutil.rmtree(link.resolve())
        link.unlink()


def _replace(path: Path, write: Callable[[Path], Any]) -> None:
    """Write a file whole or not at all."""
    part = path.with_name(f".{path.name}.part")
    write(part)
    os.replace(part, path)

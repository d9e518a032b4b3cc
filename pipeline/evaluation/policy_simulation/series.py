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

import polars as pl

from pipeline.core.settings import Settings
from pipeline.evaluation.policy_simulation import crew
from pipeline.evaluation.policy_simulation.lake import forget_days, write_day, write_registers
from pipeline.evaluation.policy_simulation.policies import POLICIES, Day, Policy, Published
from pipeline.evaluation.policy_simulation.world import World
from pipeline.nightly.night_inputs import NightRequest
from pipeline.nightly.run import run_night

WINDOW_DAYS = 30
# What a night says of a home that was visited: columns of table standing, then of site_scores.
WATCHED = (
    "site_id", "standing", "last_visit_on", "outcome", "proof", "proof_told", "proved_on", "nights_to_proof",
)  # fmt: skip
WATCHED_SCORES = ("likelihood", "verdict", "suspected_fault", "unproven_why", "nights")


@dataclass(frozen=True)
class Ask:
    """A series: which policy on which world, after which nights, with how many visits a day."""

    policy: str
    world: Path
    folder: Path
    nights: tuple[date, ...]
    visits: int
    seed: int

    @property
    def chosen(self) -> Policy:
        """The policy itself."""
        return next(policy for policy in POLICIES if policy.name == self.policy)


def run_series(ask: Ask, settings: Settings, tell: Callable[[str], None] = lambda line: None) -> None:
    """Run the nights and mornings that are still to come of the series."""
    world, policy = World(ask.world), ask.chosen
    lake, out, own = ask.folder / "lake", ask.folder / "out", settings.rehearsal
    ask.folder.mkdir(parents=True, exist_ok=True)
    last = nights_done(ask.folder)
    ledger = read_ledger(ask.folder)
    if last is not None:
        ledger = ledger.filter(pl.col("visited_on") <= last + timedelta(days=1))
    published = Published(pl.DataFrame(), pl.DataFrame(), world.sites(is_right=False))
    for at, night in enumerate(ask.nights):
        if last is not None and night <= last:
            continue
        if policy.has_nights:
            window = [night - timedelta(days=back) for back in reversed(range(WINDOW_DAYS))]
            for day in window:
                if world.parts(str(day)):
                    write_day(lake, world, ledger, day)
            forget_days(lake, window)
            told = (
                ledger if policy.has_memory else ledger.with_columns(pl.lit(None, pl.String).alias("found"))
            )
            write_registers(lake, world, told)
            result = run_night(NightRequest(lake, out, night, WINDOW_DAYS), settings)
            published = Published.read(result.folder)
            if policy.has_memory:
                _keep_watched(result.folder, ledger, ask.folder / "watched" / f"{night}.parquet")
            _forget_runs(out, keep=2)
            _forget_store(out / "store", window[0])
        if night != ask.nights[-1]:
            morning = Day(night + timedelta(days=1), ask.visits, own)
            choices = policy.choose(published, crew.records(ledger), morning)
            ledger = crew.attend(choices, ledger, world, morning.today, ask.seed, own)
        _write(ledger, ask.folder / "ledger.parquet")
        progress = json.dumps({"night": str(night), "done": at + 1, "of": len(ask.nights)})
        _replace(ask.folder / "progress.json", progress.encode())
        tell(f"{policy.title}: night {at + 1} of {len(ask.nights)}")


def nights_done(folder: Path) -> date | None:
    """Return the last night whose morning is over, None before the first."""
    progress = folder / "progress.json"
    if not progress.is_file():
        return None
    return date.fromisoformat(json.loads(progress.read_text(encoding="utf-8"))["night"])


def read_ledger(folder: Path) -> pl.DataFrame:
    """Return the ledger of a series (crew.LEDGER), empty before the first morning."""
    path = folder / "ledger.parquet"
    return pl.read_parquet(path) if path.is_file() else pl.DataFrame(schema=crew.LEDGER)


def read_watched(folder: Path) -> pl.DataFrame:
    """Return WATCHED and WATCHED_SCORES of all nights of a series, with `night`, sorted by it and site_id."""
    files = sorted((folder / "watched").glob("????-??-??.parquet"))
    return pl.concat([pl.read_parquet(file) for file in files], how="vertical_relaxed")


def _keep_watched(run: Path, ledger: pl.DataFrame, target: Path) -> None:
    visited = ledger.filter(pl.col("found").is_not_null())["site_id"].implode()
    standing = pl.read_parquet(run / "standing.parquet", columns=list(WATCHED))
    scores = pl.read_parquet(run / "site_scores.parquet", columns=["site_id", *WATCHED_SCORES])
    watched = standing.filter(pl.col("site_id").is_in(visited)).join(scores, on="site_id", how="left")
    night = date.fromisoformat(target.stem)
    target.parent.mkdir(exist_ok=True)
    _write(watched.sort("site_id").select(pl.lit(night).alias("night"), pl.all()), target)


def _forget_runs(out: Path, keep: int) -> None:
    """Remove all published runs but the last `keep`: a night needs only the one before."""
    links = sorted((out / "runs").glob("????-??-??"))
    for link in links[:-keep]:
        shutil.rmtree(link.resolve())
        link.unlink()


def _forget_store(store: Path, oldest: date) -> None:
    for folder in store.glob("*/date=*"):
        if date.fromisoformat(folder.name.removeprefix("date=")) < oldest:
            shutil.rmtree(folder)


def _write(table: pl.DataFrame, path: Path) -> None:
    part = path.with_name(f".{path.name}.part")
    table.write_parquet(part)
    os.replace(part, path)


def _replace(path: Path, content: bytes) -> None:
    part = path.with_name(f".{path.name}.part")
    part.write_bytes(content)
    os.replace(part, path)

"""A lake with its truth, read once by the pipeline's own steps, then scored as of any of its nights."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core import sql_runner
from pipeline.core.settings import Settings
from pipeline.evaluation.validation.judged import carried, judge, read_truth
from pipeline.faults.catalogue import CATALOGUE
from pipeline.features.day_store import Store
from pipeline.features.update_store import refresh_days
from pipeline.features.window import WindowView, look
from pipeline.ingest.lake import Lake, open_lake
from pipeline.ingest.registers import Registers, read_registers
from pipeline.scoring.fleet_normal import FleetNormal, learn_normal
from pipeline.scoring.model import Model
from pipeline.scoring.score_homes import score


@dataclass(frozen=True)
class Reading:
    """A lake whose days are in the store: `files` of site_day by day, oldest first; truth; what homes carry."""

    lake: Lake
    workdir: Path
    registers: Registers
    files: tuple[list[Path], ...]
    truth: pl.DataFrame
    carries: pl.DataFrame

    @property
    def nights(self) -> int:
        """How many nights it has."""
        return len(self.files)


def read_lake(root: Path, workdir: Path, settings: Settings) -> Reading:
    """Bring every day of the lake into a store in `workdir`; truth.csv lies in the lake's folder."""
    lake = open_lake(root)
    days = lake.days()
    registers = read_registers(lake, days[-1])
    workdir.mkdir(parents=True, exist_ok=True)
    con = sql_runner.connect(workdir, settings.engine)
    store = Store(workdir / "store")
    stored = refresh_days(
        con, lake, days, registers=registers, store=store, settings=settings, workdir=workdir
    )
    con.close()
    files = tuple(day.paths(store, "site_day") for day in stored)
    return Reading(lake, workdir, registers, files, read_truth(root / "truth.csv"), carried(root))


@dataclass(frozen=True)
class ScoredNight:
    """A lake as of one of its days: the window, the fleet's own normal, site_scores, and `judge`'s frame of them."""

    as_of: date
    view: WindowView
    fleet: FleetNormal
    scores: pl.DataFrame
    judged: pl.DataFrame


def score_as_of(reading: Reading, night: int, model: Model, settings: Settings) -> ScoredNight:
    """Return the lake scored as of its day `night` (from 1), as a first night there: all days up to then its window."""
    as_of = reading.lake.days()[night - 1]
    con = sql_runner.connect(reading.workdir, settings.engine)
    sites, visits = reading.registers.sites, reading.registers.visits
    files = [path for day in reading.files[:night] for path in day]
    view = look(con, files, sites, visits=visits, as_of=as_of, window_days=night, settings=settings)
    con.close()
    fleet = learn_normal(view.signals, model, settings.verdict)
    scores = score(view.signals, sites, fleet, model, CATALOGUE, settings.verdict)
    return ScoredNight(as_of, view, fleet, scores, judge(scores, reading.truth, reading.carries, as_of))


def judge_as_of(reading: Reading, night: int, model: Model, settings: Settings) -> pl.DataFrame:
    """Return `judge`'s frame as of the lake's day `night` (from 1)."""
    return score_as_of(reading, night, model, settings).judged

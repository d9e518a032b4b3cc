"""A lake with its truth, read once by the night's own steps, then scored as of any of its nights."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core import sql_runner
from pipeline.core.settings import Settings
from pipeline.evaluation.validation.truth import join_truth, read_channels, read_truth
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
class StoredLake:
    """A lake whose days are in the store: `files` of site_day by day, oldest first; truth; homes' channels."""

    lake: Lake
    scratch: Path
    registers: Registers
    files: tuple[list[Path], ...]
    truth: pl.DataFrame
    channels: pl.DataFrame

    @property
    def nights(self) -> int:
        """How many nights it has."""
        return len(self.files)


def store_lake(root: Path, scratch: Path, settings: Settings) -> StoredLake:
    """Return the lake with every day of it in a store in `scratch`; truth.csv lies in the lake's folder."""
    lake = open_lake(root)
    days = lake.days()
    registers = read_registers(lake, days[-1])
    scratch.mkdir(parents=True, exist_ok=True)
    con = sql_runner.connect(scratch, settings.engine)
    store = Store(scratch / "store")
    stored = refresh_days(con, lake, days, registers, store, settings, scratch)
    con.close()
    files = tuple(day.paths(store, "site_day") for day in stored)
    return StoredLake(lake, scratch, registers, files, read_truth(root / "truth.csv"), read_channels(root))


@dataclass(frozen=True)
class ScoredNight:
    """A lake as of one of its days: the window, the fleet's own normal, site_scores, and `join_truth`'s homes."""

    as_of: date
    view: WindowView
    fleet: FleetNormal
    scores: pl.DataFrame
    homes: pl.DataFrame


def score_night(stored: StoredLake, night: int, model: Model, *, settings: Settings) -> ScoredNight:
    """Return the lake scored as of its day `night`, as a first night there: all days up to then are its window.

    Parameters
    ----------
    stored
        The lake.
    night
        Number of the day, from 1.
    model
        It gives the likelihoods.
    settings
        Of the night.
    """
    as_of = stored.lake.days()[night - 1]
    con = sql_runner.connect(stored.scratch, settings.engine)
    sites, visits = stored.registers.sites, stored.registers.visits
    files = [path for day in stored.files[:night] for path in day]
    view = look(con, files, sites, visits, as_of, night, settings)
    con.close()
    fleet = learn_normal(view.signals, model, settings.verdict)
    scores = score(view.signals, sites, fleet, model, CATALOGUE, settings.verdict)
    homes = join_truth(scores, stored.truth, stored.channels, as_of=as_of)
    return ScoredNight(as_of, view, fleet, scores, homes)

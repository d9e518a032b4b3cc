"""A lake with its truth, read once by the night's own steps, then scored as of any of its nights."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import polars as pl

from pipeline.core import sql_runner
from pipeline.core.settings import Settings
from pipeline.evaluation.validation.metrics import ALARM_LIKELIHOOD, compute_metrics
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
from pipeline.storage.layout import LINE_TABLE

NIGHTS = (1, 2, 3, 5, 7, 10, 14, 21, 30)
SOON_NIGHTS = 2  # within which what can't wait must be found
Nights = Mapping[int, pl.DataFrame]  # night, from 1 -> `join_truth`'s homes as of then


@dataclass(frozen=True)
class StoredLake:
    """A lake whose days are in the store: `files` of site_day by day, oldest first, `line_files` of line_day; truth."""

    lake: Lake
    scratch: Path
    registers: Registers
    files: tuple[list[Path], ...]
    line_files: tuple[list[Path], ...]
    truth: pl.DataFrame
    channels: pl.DataFrame
    settings: Settings

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
    store = Store(scratch / "store")
    with closing(sql_runner.connect(scratch, settings.engine)) as con:
        stored = refresh_days(
            con, lake, days, registers=registers, store=store, settings=settings, workdir=scratch
        )
    files, line_files = (
        tuple(day.paths(store, table) for day in stored) for table in ("site_day", LINE_TABLE)
    )
    truth, channels = read_truth(root / "truth.csv"), read_channels(root)
    return StoredLake(lake, scratch, registers, files, line_files, truth, channels, settings)


@dataclass(frozen=True)
class ScoredNight:
    """A lake as of one of its days: the window, the fleet's own normal, site_scores, and `join_truth`'s homes."""

    as_of: date
    view: WindowView
    fleet: FleetNormal
    scores: pl.DataFrame
    homes: pl.DataFrame


def score_night(stored: StoredLake, night: int, model: Model) -> ScoredNight:
    """Return the lake scored as of its day `night` (from 1), as a first night there: all days up to then its window."""
    as_of, settings = stored.lake.days()[night - 1], stored.settings
    sites, visits = stored.registers.sites, stored.registers.visits
    files, line_files = (
        [path for day in days[:night] for path in day] for days in (stored.files, stored.line_files)
    )
    with closing(sql_runner.connect(stored.scratch, settings.engine)) as con:
        view = look(
            con,
            files,
            sites,
            visits=visits,
            as_of=as_of,
            window_days=night,
            settings=settings,
            line_files=line_files,
        )
    fleet = learn_normal(view.signals, model, settings.verdict)
    scores = score(view.signals, sites, fleet, model=model, catalogue=CATALOGUE, settings=settings.verdict)
    homes = join_truth(scores, stored.truth, stored.channels, as_of=as_of)
    return ScoredNight(as_of, view, fleet, scores, homes)


def nights_until_found(nights: Nights) -> pl.DataFrame:
    """Return one row a home whose fault was there from the first day: when it is found, and when suspected.

    `site_id`, `fault`, `position`; `nights`: the first of the scored nights from which on the home stays at or over
    ALARM_LIKELIHOOD with the right name (a twin's counts where there are no leg voltages); `suspect_nights`: the same
    whatever the name. Null if it isn't so on the last night.
    """
    is_suspect = pl.col("likelihood") >= ALARM_LIKELIHOOD
    homes = pl.concat(
        frame.filter("is_from_first_day").select(
            "site_id", "fault", "position", night=pl.lit(night, pl.Int64),
            is_suspect=is_suspect, is_right=is_suspect & pl.col("is_named_right"),
        )
        for night, frame in nights.items()
    )  # fmt: skip

    def stays(column: str) -> pl.Expr:
        last_wrong = pl.col("night").filter(~pl.col(column)).max().fill_null(0)
        return pl.col("night").filter(pl.col("night") > last_wrong).min()

    return (
        homes.group_by("site_id", "fault", "position")
        .agg(nights=stays("is_right"), suspect_nights=stays("is_suspect"))
        .sort("fault", "position", "site_id")
    )


def count_by_position(until: pl.DataFrame) -> pl.DataFrame:
    """Return one row a (fault, position): `homes`, `median_nights`, `soon_share`, `found_share`, `suspect_soon_share`.

    `soon_share` is found within SOON_NIGHTS, `found_share` by the last night, `suspect_soon_share` suspected within
    SOON_NIGHTS whatever the name. Homes never found count as later than any: `median_nights` is null where fewer
    than half are found.
    """
    never = 10**6
    median = pl.col("nights").fill_null(never).median()
    return (
        until.group_by("fault", "position")
        .agg(
            homes=pl.len(),
            median_nights=pl.when(median < never / 2).then(median),
            soon_share=(pl.col("nights") <= SOON_NIGHTS).fill_null(False).mean(),
            found_share=pl.col("nights").is_not_null().mean(),
            suspect_soon_share=(pl.col("suspect_nights") <= SOON_NIGHTS).fill_null(False).mean(),
        )
        .sort("fault", "position")
    )


def metrics_by_night(nights: Nights, visits: int | None = None) -> pl.DataFrame:
    """Return one row a scored night with all of `compute_metrics`, and `alarms`, `alarm_share` of the sound homes."""
    rows = []
    for night, homes in sorted(nights.items()):
        alarms = homes.filter(~pl.col("is_faulty"))["likelihood"] >= ALARM_LIKELIHOOD
        share = alarms.mean() if alarms.len() else float("nan")
        row = {"nights": night, **compute_metrics(homes, visits)}
        rows.append(row | {"alarms": int(alarms.sum()), "alarm_share": share})
    return pl.DataFrame(rows)

"""Homes as they looked when somebody was sent to them: the evidence of the window before the visit, and what was found.

A pure function of the lake: the window ends the day before the visit, whatever has come since.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import duckdb
import numpy as np
import polars as pl

from pipeline.core.contract import FINDINGS
from pipeline.core.settings import Settings
from pipeline.faults.catalogue import CATALOGUE
from pipeline.faults.types import record_errors
from pipeline.features.day_store import Store
from pipeline.features.update_store import StoredDay
from pipeline.features.window import look
from pipeline.ingest.registers import Registers
from pipeline.learning.base_rate import BaseRate, base_rate, fault_mix
from pipeline.learning.fleet_examples import TRUTH
from pipeline.learning.labelled import Labelled
from pipeline.probes.line_rows import has_three_lines
from pipeline.scoring.fleet_normal import FleetNormal
from pipeline.scoring.model import Model
from pipeline.scoring.score_homes import judge_homes
from pipeline.storage.layout import LINE_TABLE


def first_visits(visits: pl.DataFrame, first: date, last: date) -> pl.DataFrame:
    """Return each home's first visit with a finding between these days; later ones follow up on it."""
    return (
        visits.filter(pl.col("found").is_in(FINDINGS) & pl.col("visited_on").is_between(first, last))
        .sort("visited_on", "visit_id")
        .group_by("site_id", maintain_order=True)
        .first()
    )


def visited_homes(
    con: duckdb.DuckDBPyConnection,
    store: Store,
    stored: Sequence[StoredDay],
    *,
    registers: Registers,
    window_days: int,
    settings: Settings,
    scratch: Path,
) -> Labelled | None:
    """Return the visited homes that had data before their first visit, labelled by what it found; None if none.

    `truth.fault` is what was found: a fault, sound or other.

    Parameters
    ----------
    con, scratch
        A connection with the pipeline's macros, and a scratch folder for small copies of the days.
    store, stored, registers
        Statistics of past days; sites and visits.
    window_days, settings
        How many days before a visit speak for the home; settings of the night.
    """
    paths, line_paths = (
        {day.day: day.paths(store, table) for day in stored} for table in ("site_day", LINE_TABLE)
    )
    visits = first_visits(registers.visits, min(paths) + timedelta(days=1), registers.as_of)
    sites = sites_before_visits(registers.sites, visits)
    scratch.mkdir(parents=True, exist_ok=True)
    views = []
    for (visited_on,), group in visits.group_by("visited_on", maintain_order=True):
        before: date = visited_on - timedelta(days=1)  # type: ignore[operator]
        is_visited = pl.col("site_id").is_in(group["site_id"].to_list())
        in_window = [day for day in sorted(paths) if before - timedelta(days=window_days) < day <= before]
        files = [
            path for day in in_window for path in _copy(paths[day], is_visited, scratch / f"{day}.parquet")
        ]
        line_files = [
            path
            for day in in_window
            for path in _copy(line_paths[day], is_visited, scratch / f"lines-{day}.parquet")
        ]
        if files:
            view = look(
                con,
                files,
                sites.filter(is_visited),
                visits=registers.visits,
                as_of=before,
                window_days=window_days,
                settings=settings,
                line_files=line_files,
            )
            views.append(view.signals)
    if not any(signals.height for signals in views):
        return None
    signals = pl.concat(views, how="diagonal_relaxed").sort("site_id")
    # The fleet's own model is of homes of up to two lines.
    signals = signals.filter(~has_three_lines(signals))
    truth = visit_truths(visits, sites)
    matched = signals.select("site_id").join(truth, on="site_id", how="left", maintain_order="left")
    return Labelled(sites, signals, matched)


def _copy(paths: Sequence[Path], is_wanted: pl.Expr, copy: Path) -> Iterator[Path]:
    """Write the wanted rows of a day's files into `copy` and yield it, if there are any."""
    if paths:
        rows = pl.scan_parquet(list(paths), glob=False).filter(is_wanted).collect()
        if rows.height:
            rows.write_parquet(copy)
            yield copy


def sites_before_visits(sites: pl.DataFrame, visits: pl.DataFrame) -> pl.DataFrame:
    """Return the register with `ct_sees_pv` as before the visits: a wrong record that was put right is wrong again."""
    corrected = visits.filter(
        pl.col("found").is_in(record_errors(CATALOGUE)) & pl.col("fixed").fill_null(False)
    )
    is_corrected = pl.col("site_id").is_in(corrected["site_id"].to_list())
    declared = pl.col("ct_sees_pv")
    return sites.with_columns(ct_sees_pv=pl.when(is_corrected).then(~declared).otherwise(declared))


def visit_truths(visits: pl.DataFrame, sites: pl.DataFrame) -> pl.DataFrame:
    """Return the truth of visited homes, one row a home, as training reads it.

    `sites` is the register before the visits. Visits say nothing of severities but what the record was.
    """
    declared = pl.col("ct_sees_pv")
    is_wrong = pl.col("fault").is_in(record_errors(CATALOGUE)) & declared.is_not_null()
    position = pl.when(declared).then(pl.lit("upstream")).otherwise(pl.lit("downstream"))
    truths = visits.select("site_id", "leg", fault="found", hard_negative=None, weight=1.0).join(
        sites.select("site_id", "ct_sees_pv"), on="site_id", how="left", maintain_order="left"
    )
    return truths.select(
        "site_id", "fault", "leg",
        pl.when(is_wrong).then(pl.format("declared {}, is not", position)).alias("severity"),
        "hard_negative", pl.when(is_wrong).then(~declared).otherwise(declared).alias("sees_pv_true"), "weight",
    ).cast(TRUTH)  # fmt: skip


def estimate_rate(
    model: Model, visited: Labelled, fleet: FleetNormal, *, settings: Settings
) -> tuple[BaseRate, dict[str, float]] | None:
    """Return the fleet's base rate and mix of faults by its visits; None without any.

    A visit that found something other than a CT fault found no CT fault.

    Parameters
    ----------
    model, visited
        The shipped model, and visited homes labelled by what was found.
    fleet, settings
        What is normal there now; settings of the night.
    """
    if not visited.truth.height:
        return None
    own_fleet, usual = settings.own_fleet, settings.verdict.base_rate
    faults = list(model.faults)
    # Every home is asked which fault, and at the usual share: what the visits say of both comes after.
    ask_all = settings.verdict.model_copy(update={"ask_from": 1e-9})
    even = replace(fleet, rate=usual, fault_mix=dict.fromkeys(faults, 1 / len(faults)))
    judged = judge_homes(
        visited.signals, even, replace(model, fault_mix={}), catalogue=CATALOGUE, settings=ask_all
    )
    shares, sound = judged.shares[:, :-1], judged.shares[:, -1]
    found = visited.truth["fault"].to_numpy()
    is_faulty = np.isin(found, faults)
    column = np.array([faults.index(name) for name in found[is_faulty]], dtype=np.int64)
    mix = fault_mix(shares[is_faulty], column, own_fleet.prior_faults)
    # The likelihood of any fault once faults are as frequent as the mix says.
    likelihood = (shares * mix * len(faults)).sum(axis=1)
    likelihood /= likelihood + sound
    rate = base_rate(
        likelihood,
        is_faulty,
        usual,
        prior_rate=usual,
        prior_homes=own_fleet.prior_homes,
        slope_sd=own_fleet.slope_sd,
    )
    return rate, dict(zip(faults, mix.tolist(), strict=True))

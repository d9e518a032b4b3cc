"""Homes as they looked when somebody was sent to them: the evidence of the window before the visit, and what was found.

A pure function of the lake: the window ends the day before the visit, whatever has come since.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl

from pipeline.core.contract import FINDINGS
from pipeline.core.settings import Settings
from pipeline.faults.types import Fault, record_errors
from pipeline.features.day_store import Store
from pipeline.features.update_store import StoredDay
from pipeline.features.window import look
from pipeline.ingest.registers import Registers
from pipeline.learning.base_rate import BaseRate, base_rate, fault_mix
from pipeline.learning.fleet_examples import TRUTH
from pipeline.learning.labelled import Labelled
from pipeline.scoring.fleet_normal import FleetNormal
from pipeline.scoring.model import Model
from pipeline.scoring.score_homes import judge_homes


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
    registers: Registers,
    window_days: int,
    catalogue: Mapping[str, Fault],
    settings: Settings,
    folder: Path,
) -> Labelled | None:
    """Return the visited homes that had data before their first visit, labelled by what it found; None if none.

    `truth.fault` is what was found: a fault, sound or other. Small copies of the days lie in `folder` meanwhile.
    """
    days = {day.day: day.paths(store, "site_day") for day in stored}
    visits = first_visits(registers.visits, min(days) + timedelta(days=1), registers.as_of)
    sites = as_declared_then(registers.sites, visits, catalogue)
    folder.mkdir(parents=True, exist_ok=True)
    looks = []
    for (visited_on,), group in visits.group_by("visited_on", maintain_order=True):
        before: date = visited_on - timedelta(days=1)  # type: ignore[operator]
        homes = pl.col("site_id").is_in(group["site_id"].to_list())
        files = []
        for day in sorted(days):
            if before - timedelta(days=window_days) < day <= before:
                rows = pl.scan_parquet(days[day], glob=False).filter(homes).collect()
                if rows.height:
                    files.append(folder / f"{day}.parquet")
                    rows.write_parquet(files[-1])
        if files:
            view = look(
                con,
                files,
                sites.filter(homes),
                visits=registers.visits,
                as_of=before,
                window_days=window_days,
                settings=settings,
            )
            looks.append(view.signals)
    if not any(signals.height for signals in looks):
        return None
    signals = pl.concat(looks, how="vertical_relaxed").sort("site_id")
    told = truths(visits, sites, catalogue)
    matched = signals.select("site_id").join(told, on="site_id", how="left", maintain_order="left")
    return Labelled(sites, signals, matched)


def as_declared_then(
    sites: pl.DataFrame, visits: pl.DataFrame, catalogue: Mapping[str, Fault]
) -> pl.DataFrame:
    """Return the register with `ct_sees_pv` as before the visits: a wrong record that was put right is wrong again."""
    righted = visits.filter(
        pl.col("found").is_in(record_errors(catalogue)) & pl.col("fixed").fill_null(False)
    )
    is_righted = pl.col("site_id").is_in(righted["site_id"].to_list())
    return sites.with_columns(
        pl.when(is_righted).then(~pl.col("ct_sees_pv")).otherwise(pl.col("ct_sees_pv")).alias("ct_sees_pv")
    )


def truths(visits: pl.DataFrame, sites: pl.DataFrame, catalogue: Mapping[str, Fault]) -> pl.DataFrame:
    """Return the truth of visited homes, one row a home, as training reads it.

    `sites` is the register before the visits. Visits say nothing of severities but what the record was.
    """
    rows: list[dict[str, Any]] = []
    declared = dict(sites.select("site_id", "ct_sees_pv").iter_rows())
    for visit in visits.to_dicts():
        upstream, severity = declared.get(visit["site_id"]), None
        if visit["found"] in record_errors(catalogue) and upstream is not None:
            severity = f"declared {'upstream' if upstream else 'downstream'}, is not"
            upstream = not upstream
        rows.append(
            {
                "site_id": visit["site_id"], "fault": visit["found"], "leg": visit["leg"], "severity": severity,
                "hard_negative": None, "sees_pv_true": upstream, "weight": 1.0,
            }
        )  # fmt: skip
    return pl.DataFrame(rows, schema=TRUTH)


def rate_of(
    model: Model,
    visited: Labelled | None,
    fleet: FleetNormal,
    catalogue: Mapping[str, Fault],
    settings: Settings,
) -> tuple[BaseRate, dict[str, float]] | None:
    """Return the fleet's base rate and mix of faults by its visits; None without any.

    A visit that found something other than a CT fault found no CT fault. `fleet` is what is normal there now.
    """
    if visited is None or not visited.truth.height:
        return None
    own, usual = settings.own_fleet, settings.verdict.base_rate
    found = visited.truth["fault"].to_numpy()
    # Every home is asked which fault, and at the usual share: what the visits say of both comes after.
    asked = settings.verdict.model_copy(update={"ask_from": 1e-9})
    even = replace(fleet, rate=usual, fault_mix={name: 1 / len(model.faults) for name in model.faults})
    share = judge_homes(visited.signals, even, replace(model, fault_mix={}), catalogue, asked).shares
    faults = list(model.faults)
    is_faulty = np.isin(found, faults)
    shares = share[:, :-1]
    column = np.array([faults.index(name) for name in found[is_faulty]], dtype=np.int64)
    mix = fault_mix(shares[is_faulty], column, own.prior_faults)
    # The likelihood of any fault once faults are as frequent as the mix says.
    likelihood = (shares * mix * len(faults)).sum(axis=1)
    likelihood /= likelihood + share[:, -1]
    rate = base_rate(likelihood, is_faulty, usual, usual, own.prior_homes, own.slope_sd)
    return rate, dict(zip(faults, mix.tolist(), strict=True))

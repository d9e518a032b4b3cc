"""Alarms, notes and changes since the run before, from the night's tables before they are published."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import polars as pl

from pipeline.core import sql_runner
from pipeline.core.alarm import ALARM, NOTE, Alarm, table
from pipeline.features.update_store import StoredDay
from pipeline.nightly.arrival_alarms import watch_arrival
from pipeline.nightly.damage_alarm import plan_damaged, run_damaged
from pipeline.nightly.data_alarms import odd_reading_alarms
from pipeline.nightly.floor_alarms import coverage_low, rejected_rows, rejects_high
from pipeline.nightly.latest_run import newest_day_gone
from pipeline.nightly.night_inputs import NightInputs
from pipeline.nightly.rejects import by_reason, in_day
from pipeline.nightly.run_alarms import Tonight, days_gone, list_up, no_rows, rejects_up, take_notes
from pipeline.nightly.run_diff import RunBefore, changed_counts, changed_homes, late, read_run_before
from pipeline.nightly.run_record import day_records, made_with
from pipeline.worklist.planned_visits import damaged_plans


@dataclass(frozen=True)
class Since:
    """Tonight's `days` and the run before, None if there is none to compare with; `late` of run.json."""

    before: RunBefore | None
    days: dict[str, dict[str, Any]]
    late: dict[str, Any]


def look_back(inputs: NightInputs, stored: list[StoredDay]) -> Since:
    """Return what the run before had, and what of it has changed in the lake; `stored` are the store's days."""
    before, days = read_run_before(inputs.previous), day_records(inputs, stored)
    first = inputs.as_of - timedelta(days=inputs.request.window_days - 1)
    return Since(before, days, late(before, days, (first, inputs.as_of)))


def watch(
    inputs: NightInputs,
    stored: list[StoredDay],
    tables: Mapping[str, pl.DataFrame],
    *,
    since: Since,
    rejected: pl.DataFrame,
    counts: Mapping[str, int],
) -> tuple[dict[str, pl.DataFrame], dict[str, Any]]:
    """Return the tables alarm, change, site_pulse and arrival by name, and their record for run.json.

    Parameters
    ----------
    inputs, stored
        What the night works on, and the store's days.
    tables
        Those of the night so far: site_scores and standing.
    since
        `look_back`.
    rejected
        `rejects.count_rejects`.
    counts
        `build_tables.count_rows`.
    """
    settings, before, days, late_days = inputs.settings, since.before, since.days, since.late
    scores, standing = tables["site_scores"], tables["standing"]
    reasons, unread = _newest_rejected(rejected, inputs)
    tonight = Tonight(
        inputs.as_of, days, reasons, unread, standing, made_with(inputs), settings.ranking.least_nights,
        inputs.previous is None,
    )  # fmt: skip

    @cache
    def pulse_of(day: date) -> pl.DataFrame:
        return site_pulse(inputs, stored, day)

    change = changed_homes(before, scores, standing)
    verdicts = dict(scores.group_by("verdict").len().iter_rows())
    changed = changed_counts(before, change, counts, standing=standing, verdicts=verdicts)
    # a day that isn't there is not also reported home by home
    pulse, arrival = pulse_of(inputs.as_of), watch_arrival(inputs, stored, pulse_of)
    odd = odd_reading_alarms(pulse, inputs.as_of, settings.alarm) if tonight.used(inputs.as_of) else []
    floors = below_floors(inputs, stored, pulse, days=days, rejected=rejected, is_first=before is None)
    rejects = rejects_up(tonight, before, settings.alarm)
    of_rows = [
        rejects or floors.get("rejects_high"),
        floors.get("coverage_low"),
        list_up(tonight, before, settings.alarm),
    ]
    notes = take_notes(tonight, before, changed, late_days=late_days, settings=settings.alarm)
    previous = inputs.previous.name if inputs.previous else None
    before_all = (
        run_damaged(inputs.passed_over, previous),
        plan_damaged(damaged_plans(inputs.request.out, inputs.as_of)),
        newest_day_gone(inputs),
        no_rows(tonight, before),
        days_gone(late_days),
    )
    lines = [line for line in (*before_all, *arrival.lines, *odd, *of_rows, *notes) if line]
    # How fresh the lake is hangs on the clock: run.json says it, the tables don't.
    told = table([*([arrival.freshness.line] if arrival.freshness.line else []), *lines])
    by_severity = {
        name: told.filter(pl.col("severity") == severity).drop("severity").to_dicts()
        for name, severity in (("alarms", ALARM), ("notes", NOTE))
    }
    record = {
        "days": days, **by_severity, "changed": changed, "late": late_days, "freshness": arrival.record
    }  # fmt: skip
    return {"alarm": table(lines), "change": change, "site_pulse": pulse, "arrival": arrival.lacking}, record


def below_floors(
    inputs: NightInputs,
    stored: list[StoredDay],
    pulse: pl.DataFrame,
    *,
    days: Mapping[str, Mapping[str, Any]],
    rejected: pl.DataFrame,
    is_first: bool,
) -> dict[str, Alarm]:
    """Return by its code what any night is alarmed by (`floor_alarms`), each cause once.

    Parameters
    ----------
    inputs, stored
        What the night works on, and the store's days.
    pulse
        Table site_pulse.
    days, rejected, is_first
        As in `rejects_high`.
    """
    own = inputs.settings.alarm
    rejects = rejects_high(days, rejected, inputs.as_of, is_first=is_first, settings=own)
    share = rejected_rows(days, inputs.as_of).share if rejects else 0.0

    def hour_files() -> tuple[date, list[Path]]:
        """Return the last day before the newest, which came whole if any did, or else the newest."""
        day = max(stored, key=lambda one: (one.day < inputs.as_of, one.day))
        return day.day, day.paths(inputs.store, "site_hour")

    coverage = coverage_low(pulse, rejected_share=share, hour_files=hour_files, settings=own)
    return {line.code: line for line in (rejects, coverage) if line}


def site_pulse(inputs: NightInputs, stored: list[StoredDay], newest: date) -> pl.DataFrame:
    """Return table site_pulse of the day `newest` with the `area` of each home, homes of the register only."""
    first = newest - timedelta(days=inputs.settings.alarm.compare_days)
    past = [day for day in stored if day.day <= newest]
    # Where all these days are missing, the newest of the others serves for the table's columns.
    compared = [day for day in past if day.day >= first] or past[-1:]
    files = [sql_runner.as_named(path) for day in compared for path in day.paths(inputs.store, "site_day")]
    with inputs.connect() as con:
        pulse = sql_runner.query(con, "site_pulse", {"day_files": files, "as_of": newest})
    return pulse.join(inputs.registers.sites.select("site_id", "area"), on="site_id", maintain_order="left")


def _newest_rejected(rejected: pl.DataFrame, inputs: NightInputs) -> tuple[pl.DataFrame, int]:
    """Return (reason, count) of the newest day's rejected rows, most first, and how many of its files are unread."""
    newest = rejected.filter(in_day(inputs.as_of))
    return by_reason(newest.filter("is_row")), int(newest.filter(~pl.col("is_row"))["count"].sum())
